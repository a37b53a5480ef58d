"""Every command that the docs show is run, and every local link leads somewhere."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.conftest import PITCHLEDGER, PROJECT

DOCS = ("README.md", "DEVELOPERS.md", "schemas/README.md", "sql/README.md")


def shell_lines(doc: str) -> list[str]:
    blocks = re.findall(r"```sh\n(.*?)```", (PROJECT / doc).read_text("utf-8"), flags=re.DOTALL)
    return [
        line.split("  #")[0].strip()
        for block in blocks
        for line in block.splitlines()
        if line.strip() and not line.startswith("#")
    ]


def test_the_commands_of_the_readme_work_in_their_order(demo: Path, tmp_path: Path) -> None:
    shutil.copytree(demo, tmp_path / "demo_workspace", symlinks=True)
    lines = shell_lines("README.md")
    assert lines[:2] == ["make demo", "make test"]
    for line in lines[2:]:
        assert line.startswith(".venv/bin/pitchledger "), line
        runnable = line.replace(".venv/bin/pitchledger", str(PITCHLEDGER), 1)
        done = subprocess.run(runnable, shell=True, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{line}\n{done.stdout}\n{done.stderr}"


def test_make_runs_what_the_readme_says() -> None:
    for target, said in (("demo", "pitchledger demo demo_workspace"), ("test", "pytest"), ("check", "lint-imports")):
        told = subprocess.run(
            ["make", "--dry-run", "--always-make", target], cwd=PROJECT, capture_output=True, text=True, check=True
        )
        assert said in told.stdout
    assert "make check" in (PROJECT / ".ci/run").read_text() and "make test" in (PROJECT / ".ci/run").read_text()


@pytest.mark.parametrize("doc", DOCS)
def test_local_links_lead_somewhere(doc: str) -> None:
    text = (PROJECT / doc).read_text("utf-8")
    for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text):
        assert ((PROJECT / doc).parent / target).exists(), f"{doc} links to {target}"


def test_every_module_named_in_the_guide_exists() -> None:
    text = (PROJECT / "DEVELOPERS.md").read_text("utf-8")
    named = re.findall(r"pipeline/[a-z_/]+(?:\.py|/)", text)
    assert named
    assert [name for name in named if not (PROJECT / name).exists()] == []


def test_no_file_names_a_registry_host() -> None:
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard"], cwd=PROJECT, capture_output=True, text=True, check=True
    ).stdout
    host = re.compile(r"(pypi|pythonhosted|npmjs|debian)\.(org|com|net)")
    for name in listed.splitlines():
        path = PROJECT / name
        if path.suffix in (".xlsx", ".parquet") or not path.is_file():
            continue
        assert not host.search(path.read_bytes().decode("utf-8", "replace")), name
