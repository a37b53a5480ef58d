"""Every command that the docs show is run, and every local link leads somewhere."""

import os
import re
import shlex
import shutil
import signal
import subprocess
import time
from pathlib import Path

import pytest

from tests.conftest import PITCHLEDGER, PROJECT, command

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
        if " schedule " in line:
            keep_for_a_moment(runnable, tmp_path)
            continue
        done = subprocess.run(runnable, shell=True, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{line}\n{done.stdout}\n{done.stderr}"


def keep_for_a_moment(line: str, folder: Path) -> None:
    """A command that goes on until it is stopped: it must say when it runs next, and end with 0 when stopped as by Ctrl-C."""
    told = folder / "told.txt"
    with told.open("wb") as file, subprocess.Popen(shlex.split(line), cwd=folder, stdout=file, stderr=file) as process:
        until = time.monotonic() + 240
        while "Next run" not in told.read_text("utf-8") and process.poll() is None and time.monotonic() < until:
            time.sleep(0.3)
        process.send_signal(signal.SIGINT if os.name == "posix" else signal.SIGTERM)
        assert process.wait(timeout=60) == 0, told.read_text("utf-8")
    assert "Next run" in told.read_text("utf-8") and "Traceback" not in told.read_text("utf-8")


# ---- the examples of schedulers ------------------------------------------------------------------------------------------------------------


def examples(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", (PROJECT / "README.md").read_text("utf-8"), flags=re.DOTALL)


def run_here(line: str, folder: Path, nights: int = 1) -> None:
    """Run the command of an example, its places changed for places of this machine."""
    words = line.replace("/srv/pitchledger/.venv/bin/pitchledger", shlex.quote(str(PITCHLEDGER)))
    for _ in range(nights):
        done = subprocess.run(
            words.replace("/srv/", f"{folder}/"), shell=True, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr


@pytest.fixture
def my_program(tmp_path: Path) -> Path:
    """The folder in which the examples' workspace lies."""
    assert command("init", tmp_path / "my_program").returncode == 0
    return tmp_path


def test_the_line_for_cron_is_one_and_its_command_runs(my_program: Path) -> None:
    (line,) = "".join(examples("cron")).splitlines()
    minute, hour, *days, program = line.split(maxsplit=5)
    assert (int(minute) in range(60), int(hour) in range(24), days) == (True, True, ["*", "*", "*"])
    assert "%" not in program  # cron takes it for a line's end
    run_here(program, my_program, nights=2)
    assert "Published" in (my_program / "my_program" / "nightly.log").read_text("utf-8")


def test_the_units_for_systemd_are_valid_and_their_command_runs(my_program: Path) -> None:
    service, timer = examples("ini")
    (program,) = re.findall(r"^ExecStart=(.*)$", service, flags=re.MULTILINE)
    run_here(program, my_program)
    if (verify := shutil.which("systemd-analyze")) is None:
        pytest.skip("no systemd here to judge the units")
    there = service.replace("/srv/pitchledger/.venv/bin/pitchledger", str(PITCHLEDGER))
    units = {"pitchledger.service": there, "pitchledger.timer": timer}
    for name, text in units.items():
        (my_program / name).write_text(text)
    # it ends with 0 and complains all the same about a key or value that it does not know
    judged = subprocess.run(
        [verify, "verify", "--man=no", *(f"./{name}" for name in units)],
        cwd=my_program, capture_output=True, text=True, check=False,
    )  # fmt: skip
    complaints = [line for line in (judged.stdout + judged.stderr).splitlines() if "pitchledger." in line]
    assert (judged.returncode, complaints) == (0, [])
    (when,) = re.findall(r"^OnCalendar=(.*)$", timer, flags=re.MULTILINE)
    subprocess.run([verify, "calendar", when], capture_output=True, check=True)


def test_the_line_for_windows_is_one_task_a_day_and_its_command_runs(my_program: Path) -> None:
    """The options are those of Microsoft's reference of schtasks create (from memory); there is no Windows here to try it on."""
    (line,) = "".join(examples("bat")).splitlines()
    task = re.fullmatch(r'schtasks /create /tn \w+ /sc daily /st ([01]\d|2[0-3]):[0-5]\d /tr "([^"]{1,262})"', line)
    assert task is not None
    program = task.group(2).replace(
        "C:\\pitchledger\\.venv\\Scripts\\pitchledger.exe", "/srv/pitchledger/.venv/bin/pitchledger"
    )
    run_here(program.replace("C:\\", "/srv/"), my_program)


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
