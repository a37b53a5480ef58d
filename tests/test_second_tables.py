"""Files with several tables, titles, repeated headers and summaries: no throw is lost, invented, or counted for another arm."""

from io import BytesIO
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from pipeline.exports.readers import RawExport, UnreadableExport, read_export
from tests.exports import SPEED, export, mapped, profile_of

PREAMBLE = """
header_row = 3
[file.preamble]
pitcher = 'Pitcher: (\\w+ \\w+)'
day = 'Date: (\\S+?)[;\\t]*$'"""
TIME = 'column = "when"\nformats = ["%H:%M:%S"]\nzone = "venue"\ndate_column = "@preamble.day"\ndate_formats = ["%Y-%m-%d"]'
REST = f'[keys]\nsequence = "no"\npitcher = "@preamble.pitcher"\n{SPEED}'
HEADER = ["no", "when", "pace", "spin"]
SUMMARY = ["Mean", "", "90.5", "2200"]
FORMATS = ("csv", "padded csv", "xlsx")
Line = list[str]


def rows(first: int, count: int = 4) -> list[Line]:
    return [[str(no), f"18:{first + no:02d}:07", f"9{no}.5", f"22{no}0"] for no in range(1, count + 1)]


def titles(pitcher: str) -> list[Line]:
    return [[f"Pitcher: {pitcher}"], ["Date: 2026-03-14"]]


# one sheet for the evening: each arm has a title, the column names, four throws and a line of means
ALDER = [*titles("Alder Finch"), HEADER, *rows(0), SUMMARY]
ROWAN = [*titles("Rowan Teal"), HEADER, *rows(20), SUMMARY]


def written(lines: list[Line], kind: str) -> tuple[bytes, str]:
    """The file's bytes and the first line of [file]."""
    if kind == "xlsx":
        stream = BytesIO()
        with xlsxwriter.Workbook(stream) as book:
            sheet = book.add_worksheet()
            for place, line in enumerate(lines):
                for column, cell in enumerate(line):
                    sheet.write(place, column, float(cell) if cell.replace(".", "").isdigit() else cell)
        return stream.getvalue(), 'format = "xlsx"'
    padded = [line + [""] * (4 - len(line)) for line in lines] if kind == "padded csv" else lines
    return "\n".join(";".join(line) for line in padded).encode() + b"\n", 'format = "csv"\ndelimiter = ";"'


def read(folder: Path, lines: list[Line], kind: str, file: str = "") -> RawExport:
    data, first = written(lines, kind)
    return read_export(export(folder, data), profile_of(folder, f"{first}\n{file}{PREAMBLE}", REST, TIME))


def refused(folder: Path, lines: list[Line], kind: str, file: str = "") -> UnreadableExport:
    with pytest.raises(UnreadableExport) as fault:
        read(folder, lines, kind, file)
    return fault.value


SEVERAL = 'repeated_header = true\ntrailer_starts_with = "Mean"'


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("trailer", ["", 'trailer_starts_with = "Mean"', "trailer_lines = 1"])
def test_a_second_table_refuses_the_file_and_its_rows_are_counted(tmp_path: Path, kind: str, trailer: str) -> None:
    fault = refused(tmp_path, [*ALDER, [], *ROWAN], kind, trailer)
    # two titles, the header, four throws, means and a blank line; then two titles
    assert "a second table starts in line 12" in fault.reason
    assert "repeated_header = true" in fault.fix
    assert fault.rows >= 8


@pytest.mark.parametrize("kind", FORMATS)
def test_a_profile_reads_several_tables_each_for_its_own_pitcher(tmp_path: Path, kind: str) -> None:
    data, first = written([*ALDER, [], *ROWAN], kind)
    profile = profile_of(tmp_path, f"{first}\n{SEVERAL}{PREAMBLE}", REST, TIME)
    found = mapped(export(tmp_path, data), profile).sightings
    assert found.select("pitcher_label", "sequence").rows() == [
        (arm, no) for arm in ("Alder Finch", "Rowan Teal") for no in range(1, 5)
    ]
    assert found.get_column("thrown_at").dt.minute().to_list() == [1, 2, 3, 4, 21, 22, 23, 24]


@pytest.mark.parametrize("kind", FORMATS)
def test_lines_that_are_no_rows_are_kept_for_people(tmp_path: Path, kind: str) -> None:
    left_out = read(tmp_path, [*ALDER, *ROWAN], kind, SEVERAL).left_out
    assert [number for number, _ in left_out.first] == [8, 9, 10, 16]
    assert left_out.first[1][1].startswith("Pitcher: Rowan Teal")


@pytest.mark.parametrize("kind", FORMATS)
def test_a_second_table_without_a_header_refuses_the_file(tmp_path: Path, kind: str) -> None:
    lines = [*ALDER, *titles("Rowan Teal"), *rows(20), SUMMARY]
    assert "line 11 and 3 more lines like it" in refused(tmp_path, lines, kind, 'trailer_starts_with = "Mean"').reason
    assert "a second table starts in line 9" in refused(tmp_path, lines, kind).reason


@pytest.mark.parametrize("kind", FORMATS)
def test_a_title_that_the_pattern_misses_refuses_the_file(tmp_path: Path, kind: str) -> None:
    lines = [*ALDER, ["Ptcher: Rowan Teal"], *ROWAN[1:]]
    fault = refused(tmp_path, lines, kind, SEVERAL)
    assert "line 11 does not state @preamble.pitcher" in fault.reason
    assert "Ptcher: Rowan Teal" in fault.reason


@pytest.mark.parametrize("kind", FORMATS)
def test_a_header_on_each_page_of_a_printout_continues_the_pitcher(tmp_path: Path, kind: str) -> None:
    lines = [*titles("Alder Finch"), HEADER, *rows(0), ["Page 2"], HEADER, *rows(20), [], HEADER, *rows(40)]
    # a "Page 2" that the first page has not is a title nobody explained: the pitcher may have changed
    assert "does not state @preamble.pitcher" in refused(tmp_path, lines, kind, SEVERAL).reason
    paged = [lines[0], ["Date: 2026-03-14"], HEADER, *rows(0), HEADER, *rows(20), [], HEADER, *rows(40)]
    raw = read(tmp_path, paged, kind, SEVERAL)
    assert (raw.cells.height, raw.rows_read, raw.carried["@preamble.pitcher"]) == (12, 12, "Alder Finch")
    assert "@preamble.pitcher" not in raw.cells.columns


@pytest.mark.parametrize("kind", FORMATS)
def test_a_second_table_with_other_columns_is_never_read_under_the_first_names(tmp_path: Path, kind: str) -> None:
    lines = [*ALDER, *titles("Rowan Teal"), ["no", "when", "spin", "pace"], *rows(20)]
    assert "line 11 has other columns" in refused(tmp_path, lines, kind, SEVERAL).reason


@pytest.mark.parametrize("kind", FORMATS)
def test_so_many_trailer_lines_never_cost_a_throw(tmp_path: Path, kind: str) -> None:
    """The device left its last line out: the line in its place is a throw."""
    assert "line 7 looks like a row" in refused(tmp_path, ALDER[:-1], kind, "trailer_lines = 1").reason


@pytest.mark.parametrize("kind", FORMATS)
def test_a_line_of_means_is_counted_but_is_no_throw(tmp_path: Path, kind: str) -> None:
    raw = read(tmp_path, ALDER, kind)
    assert (raw.cells.height, raw.rows_read) == (4, 5)
    assert "summary ('Mean')" in raw.problems.get_column("reason").item()


def test_a_pitcher_called_max_is_no_summary(tmp_path: Path) -> None:
    text = "arm,when,pace\nMax,2026-03-14 18:00:07,91\nMax,2026-03-14 18:01:07,92\nMax,,91.5\n"
    raw = read_export(export(tmp_path, text), profile_of(tmp_path))
    assert (raw.cells.height, raw.rows_read) == (2, 3)


def test_a_no_pitch_rule_keeps_its_reason_for_a_line_of_totals(tmp_path: Path) -> None:
    rule = f'[[no_pitch]]\ncolumn = "arm"\nwords = ["total"]\nwhy = "sum"\n{SPEED}'
    text = "arm,when,pace\nBo,2026-03-14 18:00:07,91\nTotal,2026-03-14 18:01:07,92\n"
    found = mapped(export(tmp_path, text), profile_of(tmp_path, rest=rule))
    assert found.set_aside.get_column("why").to_list() == ["sum"]


def test_words_of_the_header_inside_a_row_are_no_second_table(tmp_path: Path) -> None:
    raw = read_export(export(tmp_path, "when,pace,note\na,1,no pace when cold\nb,2,x\n"), profile_of(tmp_path))
    assert raw.cells.height == 2


def test_a_footer_below_all_rows_may_state_another_date(tmp_path: Path) -> None:
    lines = [*ALDER[:-1], ["Date: 2026-03-20"]]
    assert read(tmp_path, lines, "csv").cells.height == 4


def test_rows_of_a_refused_file_are_counted_as_quarantined(tmp_path: Path) -> None:
    from pipeline.incremental.accounting import files_table

    facts = pl.DataFrame(
        {"file_id": ["f"], "status": ["quarantined"], "rows": [8]}, schema_overrides={"rows": pl.UInt32}
    )
    counts = pl.DataFrame(
        schema={
            "file_id": pl.String,
            "sightings": pl.UInt32,
            "first_thrown_at": pl.Datetime,
            "last_thrown_at": pl.Datetime,
            "baseball_day": pl.Date,
        }
    )
    aside = pl.DataFrame(schema={"file_id": pl.String, "kind": pl.String})
    line = pl.DataFrame(
        {"file_id": ["f"], "level": ["file"], "file_row": [None]}, schema_overrides={"file_row": pl.UInt32}
    )
    (row,) = files_table(facts, counts, {"set_aside": aside, "quarantine": line}).to_dicts()
    assert (row["rows"], row["sightings"], row["repeats"], row["no_pitch"], row["quarantined"]) == (8, 0, 0, 0, 8)


def test_another_sheet_with_the_same_columns_is_reported(tmp_path: Path) -> None:
    stream = BytesIO()
    with xlsxwriter.Workbook(stream) as book:
        for name, first in (("Finch", HEADER), ("Teal", HEADER), ("Notes", ["what", "who"])):
            sheet = book.add_worksheet(name)
            sheet.write_row(0, 0, first)
            sheet.write_row(1, 0, rows(0, 1)[0])
    time = 'column = "when"\nformats = ["%H:%M:%S"]\nzone = "venue"\ndate_column = "@file"\ndate_formats = ["%Y-%m-%d"]'
    raw = read_export(
        export(tmp_path, stream.getvalue()), profile_of(tmp_path, 'format = "xlsx"\nsheet = "Finch"', time=time)
    )
    note = raw.problems.row(0, named=True)
    assert (raw.problems.height, note["level"], note["file_row"]) == (1, "value", None)
    assert "the sheet 'Teal' has the same column names" in note["reason"]


def test_another_list_with_the_same_keys_is_reported(tmp_path: Path) -> None:
    record = '{"when": "2026-03-14 18:00:07", "pace": 91}'
    text = f'{{"sessions": [{{"arm": "Finch", "pitches": [{record}]}}, {{"arm": "Teal", "pitches": [{record}, {record}]}}]}}'
    raw = read_export(export(tmp_path, text), profile_of(tmp_path, 'format = "json"\nrecords = "sessions.0.pitches"'))
    assert raw.cells.height == 1
    assert "the list 'sessions.1.pitches' has 2 records like those" in raw.problems.get_column("reason").item()
