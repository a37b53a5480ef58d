"""Every command that the docs show is run, and every local link leads somewhere.

The quick tests run the commands in this process, the slow ones as the shell, cron and systemd would.
"""

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

DOCS = (
    "README.md",
    "DEVELOPERS.md",
    "schemas/README.md",
    "schemas/profile.md",
    "schemas/ledger.md",
    "schemas/people.md",
    "sql/README.md",
)


def shell_lines(doc: str) -> list[str]:
    blocks = re.findall(r"```sh\n(.*?)```", (PROJECT / doc).read_text("utf-8"), flags=re.DOTALL)
    return [
        line.split("  #")[0].strip()
        for block in blocks
        for line in block.splitlines()
        if line.strip() and not line.startswith("#")
    ]


@pytest.fixture
def demo_copy(demo: Path, tmp_path: Path) -> Path:
    """A folder that holds demo_workspace after its first run."""
    shutil.copytree(demo, tmp_path / "demo_workspace", symlinks=True)
    return tmp_path


def readme_commands() -> list[str]:
    lines = shell_lines("README.md")
    assert lines[:2] == ["make demo", "make test"]
    assert [line for line in lines[2:] if not line.startswith(".venv/bin/pitchledger ")] == []
    return lines[2:]


@pytest.mark.slow
def test_the_commands_of_the_readme_work_in_their_order(demo_copy: Path) -> None:
    for line in readme_commands():
        if " schedule " not in line:
            done = command(*shlex.split(line)[1:], cwd=demo_copy)
            assert done.returncode == 0, f"{line}\n{done.stdout}\n{done.stderr}"


@pytest.mark.slow
def test_the_commands_of_the_readme_work_as_processes(demo_copy: Path) -> None:
    for line in readme_commands():
        runnable = line.replace(".venv/bin/pitchledger", str(PITCHLEDGER), 1)
        if " schedule " in line:
            keep_for_a_moment(runnable, demo_copy)
            continue
        done = subprocess.run(runnable, shell=True, cwd=demo_copy, capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{line}\n{done.stdout}\n{done.stderr}"


def keep_for_a_moment(line: str, folder: Path) -> None:
    """Start a command that runs until it is stopped: it must name its next run, and end with 0 on Ctrl-C."""
    output = folder / "output.txt"
    with (
        output.open("wb") as file,
        subprocess.Popen(shlex.split(line), cwd=folder, stdout=file, stderr=file) as process,
    ):
        until = time.monotonic() + 240
        while "Next run" not in output.read_text("utf-8") and process.poll() is None and time.monotonic() < until:
            time.sleep(0.3)
        process.send_signal(signal.SIGINT if os.name == "posix" else signal.SIGTERM)
        assert process.wait(timeout=60) == 0, output.read_text("utf-8")
    assert "Next run" in output.read_text("utf-8") and "Traceback" not in output.read_text("utf-8")


# ---- the examples of schedulers ------------------------------------------------------------------------------------------------------------


def examples(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", (PROJECT / "README.md").read_text("utf-8"), flags=re.DOTALL)


INSTALLED = "/srv/pitchledger/.venv/bin/pitchledger"


def run_in_process(line: str, folder: Path) -> None:
    """Run the command of an example in this process, with paths of this machine and without its redirections."""
    program, *words = shlex.split(line.split(" >>")[0].replace("/srv/", f"{folder}/"))
    assert program == INSTALLED.replace("/srv/", f"{folder}/")
    done = command(*words)
    assert done.returncode == 0, done.stderr


def run_by_shell(line: str, folder: Path, nights: int = 1) -> None:
    """Run the command of an example by the shell, with paths of this machine."""
    words = line.replace(INSTALLED, shlex.quote(str(PITCHLEDGER)))
    for _ in range(nights):
        done = subprocess.run(
            words.replace("/srv/", f"{folder}/"), shell=True, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr


@pytest.fixture
def my_program(new_program: Path, tmp_path: Path) -> Path:
    """The folder in which the examples' workspace lies."""
    shutil.copytree(new_program, tmp_path / "my_program")
    return tmp_path


def cron_program() -> str:
    (line,) = "".join(examples("cron")).splitlines()
    minute, hour, *days, program = line.split(maxsplit=5)
    assert (int(minute) in range(60), int(hour) in range(24), days) == (True, True, ["*", "*", "*"])
    assert "%" not in program  # cron takes it for a line's end
    return program


def test_the_example_for_cron_is_one_line_and_its_command_runs(my_program: Path) -> None:
    run_in_process(cron_program(), my_program)


@pytest.mark.slow
def test_the_example_for_cron_appends_to_its_log_every_night(my_program: Path) -> None:
    run_by_shell(cron_program(), my_program, nights=2)
    assert "Published" in (my_program / "my_program" / "nightly.log").read_text("utf-8")


def test_the_example_units_for_systemd_are_valid_and_their_command_runs(my_program: Path) -> None:
    service, timer = examples("ini")
    (program,) = re.findall(r"^ExecStart=(.*)$", service, flags=re.MULTILINE)
    run_in_process(program, my_program)
    if (verify := shutil.which("systemd-analyze")) is None:
        pytest.skip("no systemd here to judge the units")
    there = service.replace(INSTALLED, str(PITCHLEDGER))
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


def test_the_example_for_windows_is_one_daily_task_and_its_command_runs(my_program: Path) -> None:
    """The options are those of Microsoft's reference of schtasks create (from memory); there is no Windows here to try it on."""
    (line,) = "".join(examples("bat")).splitlines()
    task = re.fullmatch(r'schtasks /create /tn \w+ /sc daily /st ([01]\d|2[0-3]):[0-5]\d /tr "([^"]{1,262})"', line)
    assert task is not None
    program = task.group(2).replace("C:\\pitchledger\\.venv\\Scripts\\pitchledger.exe", INSTALLED)
    run_in_process(program.replace("C:\\", "/srv/"), my_program)


def test_make_runs_what_the_readme_says() -> None:
    for target, words in (
        ("demo", "pitchledger demo demo_workspace"),
        ("test", "pytest"),
        ("test-slow", '-m "slow and not long"'),
        ("check", "lint-imports"),
    ):
        printed = subprocess.run(
            ["make", "--dry-run", "--always-make", target], cwd=PROJECT, capture_output=True, text=True, check=True
        )
        assert words in printed.stdout
    ran = (PROJECT / ".ci/run").read_text("utf-8").splitlines()
    targets = [word for line in ran if line.startswith("make ") for word in line.split()[1:] if word[0] not in "-."]
    assert targets == ["check", "test", "test-slow"]


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
