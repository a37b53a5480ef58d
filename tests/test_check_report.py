"""What `pitchledger check` says of an export that is readable: who threw how much and when, what is missing, what contradicts."""

import shutil
from pathlib import Path

import pytest

from tests.conftest import command

ROWS = 24


@pytest.fixture
def pen(new_program: Path, tmp_path: Path) -> Path:
    """The new workspace with one export of two arms: 24 fastballs, clock times of the afternoon."""
    folder = shutil.copytree(new_program, tmp_path / "program", symlinks=True)
    lines = ["throw,clock time,arm,called,speed km/h,turns per minute,run cm"]
    for number in range(1, ROWS + 1):
        arm = "A. Example" if number <= 14 else "B. Sample"
        lines.append(f"{number},15:{number:02d}:10,{arm},straight one,14{number % 5}.0,22{number},2{number % 4}.5")
    write(folder, lines)
    return folder


def write(folder: Path, lines: list[str]) -> None:
    (export,) = (folder / "inbox").rglob("*.csv")
    export.write_text("\n".join(lines) + "\n", "utf-8")


def export_lines(folder: Path) -> list[str]:
    (export,) = (folder / "inbox").rglob("*.csv")
    return export.read_text("utf-8").splitlines()


def profile(folder: Path, old: str, new: str) -> None:
    (path,) = (folder / "profiles").glob("*.toml")
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")


def checked(folder: Path, code: int = 0) -> str:
    """The words of the report, without line breaks."""
    done = command("check", "-w", folder)
    assert done.returncode == code, done.stdout + done.stderr
    return " ".join((done.stdout + done.stderr).split())


def test_check_lists_each_pitcher_with_count_and_local_times(pen: Path) -> None:
    text = checked(pen)
    assert "A. Example 14 Tue Feb 3, 3:01 pm Tue Feb 3, 3:14 pm" in text
    assert "B. Sample 10 Tue Feb 3, 3:15 pm Tue Feb 3, 3:24 pm" in text
    assert "3:01:10 pm" in text
    assert text.endswith("All settings are valid.")


def test_check_shows_the_share_measured_and_does_not_call_an_empty_column_right(pen: Path) -> None:
    lines = export_lines(pen)
    write(pen, [lines[0], *(",".join([*line.split(",")[:6], ""]) for line in lines[1:])])
    text = checked(pen)
    assert "! horizontal_break_in (their run cm) is never measured" in text
    assert "All settings are valid" not in text
    write(pen, [lines[0], *(",".join([*line.split(",")[:6], ""]) for line in lines[1:7]), *lines[7:]])
    assert "75%" in checked(pen)


def test_check_reports_a_column_without_any_possible_reading(pen: Path) -> None:
    profile(pen, 'unit = "km/h"', 'unit = "mph"')
    text = checked(pen)
    assert "release_speed_mph (their speed km/h) has no possible reading: release speed 141 mph is above 110" in text
    assert 'Likely answer: unit = "km/h"' in text


def test_check_of_two_tables_names_the_line_and_then_reads_both(pen: Path) -> None:
    header, *rows = export_lines(pen)
    write(pen, [header, *rows[:14], "Mean,,,,142.0,2210,21.0", "", header, *rows[14:], "Mean,,,,141.0,2215,21.0"])
    assert "a second table starts in line 18" in checked(pen, code=2)
    profile(pen, "[file]\n", '[file]\nrepeated_header = true\ntrailer_starts_with = "Mean"\n')
    text = checked(pen)
    assert "24 rows: 24 sightings" in text
    assert "2 lines are not rows: line 16 'Mean,,,,142.0,2210,21.0' and line 29" in text


def test_check_reports_an_extension_of_54_ft_with_the_likely_answer(pen: Path) -> None:
    """From the plate's back tip to the release: 60.5 ft less the extension of 6.3 ft (Official Baseball Rules 2.07 for the distance)."""
    profile(
        pen,
        "[metric.horizontal_break_in]",
        '[metric.extension_ft]\ncolumn = "reach"\nunit = "ft"\nmeasured_from = "rubber"\n\n[metric.horizontal_break_in]',
    )
    header, *rows = export_lines(pen)
    write(pen, [f"{header},reach", *(f"{row},54.{number % 5}" for number, row in enumerate(rows))])
    assert 'it is the distance from the plate: measured_from = "back_tip" (then 6.3 ft)' in checked(pen)


def test_check_reports_an_upward_break_that_should_contain_gravity(pen: Path) -> None:
    keys = 'unit = "inch"\ndefinition = "same_plane"\nstart = "release"\nend = "front_edge"\ngravity = "in"\npositive = "up"\n'
    profile(
        pen,
        "[metric.horizontal_break_in]",
        f'[metric.induced_vertical_break_in]\ncolumn = "lift"\n{keys}\n[metric.horizontal_break_in]',
    )
    header, *rows = export_lines(pen)
    write(pen, [f"{header},lift", *(f"{row},1{number % 7}.5" for number, row in enumerate(rows))])
    text = checked(pen)
    assert 'upward, though gravity = "in"' in text
    assert 'Likely answer: gravity = "out" in [metric.induced_vertical_break_in].' in text


@pytest.mark.slow
def test_a_run_reports_a_contradicted_definition_in_its_summary(pen: Path) -> None:
    profile(pen, 'unit = "km/h"', 'unit = "mph"')
    assert 'unit = "km/h"' in " ".join(command("run", "-w", pen).stdout.split())
