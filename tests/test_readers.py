import json
import struct
import zipfile
from io import BytesIO
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.exports.readers import RawExport, UnreadableExport, read_export
from pipeline.exports.readers.raw import header_names
from pipeline.settings.profile import Profile
from tests.conftest import examples
from tests.exports import export, mapped, profile_of

HEAD = "when,pace\n"
ROW = "2026-10-16 19:00:0{},9{}.5\n"


def read(folder: Path, data: str | bytes, file: str = 'format = "csv"', name: str = "a.csv") -> RawExport:
    return read_export(export(folder, data, name), profile_of(folder, file))


def refused(folder: Path, data: str | bytes, file: str = 'format = "csv"', name: str = "a.csv") -> UnreadableExport:
    with pytest.raises(UnreadableExport) as fault:
        read(folder, data, file, name)
    assert fault.value.reason and fault.value.fix
    return fault.value


def column(raw: RawExport, name: str) -> list[str | None]:
    return raw.cells.get_column(name).to_list()


# ------------------------------------------------------------------------------------------------------------------ RFC 4180


@pytest.mark.parametrize(
    ("text", "rows"),
    [
        # RFC 4180, section 2, rules 1, 2, 5, 6 and 7, with its own examples
        ("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
        ("aaa,bbb,ccc\r\nzzz,yyy,xxx", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
        ('"aaa","bbb","ccc"\r\nzzz,yyy,xxx', [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
        ('"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx', [["aaa", "b\nbb", "ccc"], ["zzz", "yyy", "xxx"]]),
        ('"aaa","b""bb","ccc"', [["aaa", 'b"bb', "ccc"]]),
    ],
)
def test_the_examples_of_rfc_4180_are_read_correctly(tmp_path: Path, text: str, rows: list[list[str]]) -> None:
    raw = read(tmp_path, "when,pace,more\r\n" + text)
    assert raw.cells.drop("file_row").rows() == [tuple(row) for row in rows]
    assert raw.problems.is_empty()


def test_a_field_over_two_lines_counts_one_row_at_its_first_line(tmp_path: Path) -> None:
    raw = read(tmp_path, 'when,pace,note\na,1,"one\n\ntwo"\nb,2,x\n')
    assert (column(raw, "note"), column(raw, "file_row")) == (["one\n\ntwo", "x"], [2, 5])


def test_a_quote_that_never_closes_costs_its_own_line_only(tmp_path: Path) -> None:
    raw = read(tmp_path, 'when,pace,note\na,1,"open\nb,2,"closed"\nc,3,5" high\n')
    assert column(raw, "note") == ["closed", '5" high']
    assert raw.problems.get_column("file_row").to_list() == [2]
    assert raw.rows_read == 3


def test_a_file_full_of_open_quotes_ends_soon(tmp_path: Path) -> None:
    raw = read(tmp_path, HEAD + '"a,1\n' * 20_000)
    assert (raw.cells.height, raw.rows_read) == (0, 20_000)


# ------------------------------------------------------------------------------------------------------- lines, headers, preamble


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_line_ending_is_read(tmp_path: Path, end: str) -> None:
    raw = read(tmp_path, end.join(["when,pace", "a,1", "b,2", ""]))
    assert (column(raw, "pace"), column(raw, "file_row")) == (["1", "2"], [2, 3])


def test_blank_lines_comments_and_lines_of_delimiters_are_no_rows(tmp_path: Path) -> None:
    raw = read(tmp_path, "when,pace\n\na,1\n  \n# b,2\n,\nc,3\n\n", 'format = "csv"\ncomment = "#"')
    assert (column(raw, "pace"), column(raw, "file_row"), raw.rows_read) == (["1", "3"], [3, 7], 2)


def test_preamble_header_by_text_and_trailer(tmp_path: Path) -> None:
    file = """format = "csv"
header_starts_with = "when;"
delimiter = ";"
trailer_starts_with = "Sum"
[file.preamble]
day = 'Day:\\s*(\\S+)'
none = 'Night:\\s*(\\S+)'"""
    raw = read(tmp_path, "Log\nDay: 14.03.\n\nwhen;pace\na;1\nb;2\nSum;3\nc;4\n", file)
    assert (column(raw, "pace"), column(raw, "file_row")) == (["1", "2"], [5, 6])
    assert raw.carried.items() >= {"@preamble.day": "14.03."}.items()


def test_so_many_trailer_lines_are_no_rows(tmp_path: Path) -> None:
    raw = read(tmp_path, HEAD + "a,1\nb,2\nx\ny\n\n", 'format = "csv"\ntrailer_lines = 2')
    assert column(raw, "pace") == ["1", "2"]


def test_a_file_without_header_takes_the_names_of_the_profile(tmp_path: Path) -> None:
    raw = read(tmp_path, "a,1\nb,2\n", 'format = "csv"\nheader_row = 0\ncolumns = ["when", "pace"]')
    assert (column(raw, "pace"), column(raw, "file_row")) == (["1", "2"], [1, 2])


def test_repeated_names_are_numbered_and_empty_ones_counted() -> None:
    assert header_names(["pace", " pace ", "", "file_row"]) == ["pace#1", "pace#2", "column 3", "file_row#1"]


def test_a_repeated_name_is_refused_until_the_profile_picks_one(tmp_path: Path) -> None:
    fault = refused(tmp_path, "when,pace,pace\na,1,2\n")
    assert "2 columns are named 'pace'; name the one to read: pace#1, pace#2" in fault.reason


def test_a_renamed_column_is_reported_with_the_nearest_name_and_the_key(tmp_path: Path) -> None:
    fault = refused(tmp_path, "when,Pace (mph)\na,1\n")
    assert fault.reason == "there is no column 'pace'; nearest: 'Pace (mph)'"
    assert "profiles/own.toml: metric.release_speed_mph.column" in fault.fix


def test_a_header_without_the_stated_delimiter_is_reported(tmp_path: Path) -> None:
    fault = refused(tmp_path, "when|pace\na|1\n")
    assert fault.reason == "the header is one column, 'when|pace': it does not contain the delimiter ','"
    assert fault.fix.startswith("set delimiter in [file] of profiles/own.toml")


def test_lines_with_too_few_or_too_many_fields_are_set_aside(tmp_path: Path) -> None:
    raw = read(tmp_path, HEAD + "a,1\nb\nc,3,4\nd,5,,\n")
    assert column(raw, "pace") == ["1", "5"]
    assert raw.problems.select("file_row", "level", "reason").rows() == [
        (3, "row", "the line is cut off: it has 1 field, the header has 2"),
        (4, "row", "the line has a delimiter inside a value: it has 3 fields, the header has 2"),
    ]
    assert raw.rows_read == 4


def test_a_file_cut_off_keeps_its_good_rows(tmp_path: Path) -> None:
    raw = read(tmp_path, "when,pace,more\na,1,x\nb,2,y\nc,3")
    assert (column(raw, "pace"), raw.problems.get_column("file_row").to_list()) == (["1", "2"], [4])


def test_a_last_line_without_end_is_doubted_where_the_stated_trailer_is_missing(tmp_path: Path) -> None:
    file = 'format = "csv"\ntrailer_starts_with = "Sum"'
    cut = read(tmp_path, HEAD + "a,91.5\nb,9", file)
    assert (column(cut, "pace"), cut.rows_read) == (["91.5"], 2)
    whole = read(tmp_path, HEAD + "a,91.5\nb,92.5\nSum", file)
    assert column(whole, "pace") == ["91.5", "92.5"]


def test_a_header_without_rows_is_accepted(tmp_path: Path) -> None:
    raw = read(tmp_path, HEAD)
    assert (raw.cells.height, raw.rows_read, raw.problems.height) == (0, 0, 0)


def test_ten_thousand_columns_are_read(tmp_path: Path) -> None:
    names = ["when", "pace", *(f"c{place}" for place in range(9_998))]
    raw = read(tmp_path, ",".join(names) + "\n" + ",".join(map(str, range(10_000))) + "\n")
    assert raw.cells.select("pace", "c9997").row(0) == ("1", "9999")


def test_a_header_of_too_many_columns_is_refused(tmp_path: Path) -> None:
    assert "20001 columns" in refused(tmp_path, "," * 20_000 + "\n").reason


# ------------------------------------------------------------------------------------------------------------- encodings, binary

UMLAUT = "when,pace,who\na,1,Jürgen\n"


@pytest.mark.parametrize(
    ("encoding", "written"),
    [
        ("utf-8", "utf-8-sig"),
        ("utf-8-sig", "utf-8"),
        ("utf-16", "utf-16"),
        ("utf-16-le", "utf-16-le"),
        ("utf-16-be", "utf-16-be"),
        ("utf-32", "utf-32"),
        ("cp1252", "cp1252"),
        ("cp437", "cp437"),
    ],
)
def test_each_encoding_is_read_where_the_profile_states_it(tmp_path: Path, encoding: str, written: str) -> None:
    raw = read(tmp_path, UMLAUT.encode(written), f'format = "csv"\nencoding = "{encoding}"')
    assert column(raw, "who") == ["Jürgen"]


@pytest.mark.parametrize(
    ("stated", "written", "expected"),
    [
        ("utf-8", "cp1252", "the file was not saved as utf-8: line 2 contains the byte 0xfc"),
        ("utf-8", "utf-16", "the file was saved as UTF-16"),
        ("utf-8", "utf-16-le", "utf-16-le"),
        ("utf-8", "utf-16-be", "utf-16-be"),
        ("cp1252", "utf-8", "the file was saved as UTF-8"),
        ("cp1252", "utf-8-sig", "the file was saved as UTF-8"),
        ("utf-16", "utf-8", "utf-16"),
        ("ascii", "utf-8", "ascii"),
    ],
)
def test_a_wrong_encoding_is_refused_and_named(tmp_path: Path, stated: str, written: str, expected: str) -> None:
    fault = refused(tmp_path, UMLAUT.encode(written), f'format = "csv"\nencoding = "{stated}"')
    assert expected in fault.reason + fault.fix


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\x00" * 500,
        b"PK\x03\x04rest",
        b"\x1f\x8b\x08rest",
        b"%PDF-1.7",
        b"\x89PNG\r\n",
        b"when,pa\x00ce\na,1\n",
        b"\n\n\n",
        b"\n",
    ],
)
def test_a_file_that_is_not_text_is_refused(tmp_path: Path, data: bytes) -> None:
    refused(tmp_path, data)


def test_a_line_of_binary_bytes_costs_itself_only(tmp_path: Path) -> None:
    raw = read(tmp_path, b"when,pace\na,1\nb,\x01\x02\nc,3\n" + b"\x00" * 64)
    assert (column(raw, "pace"), raw.problems.get_column("file_row").to_list()) == (["1", "3"], [3])


def test_a_huge_line_is_set_aside(tmp_path: Path) -> None:
    raw = read(tmp_path, HEAD + "a,1\n" + "x" * 6_000_000 + "\nb,2\n")
    assert (column(raw, "pace"), raw.rows_read) == (["1", "2"], 3)
    assert len(raw.problems.get_column("value")[0]) <= 200


def test_a_name_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    assert (
        "does not match name_pattern = 'log_*.csv'"
        in refused(tmp_path, HEAD, 'format = "csv"\nname_pattern = "log_*.csv"').reason
    )


def test_a_missing_file_is_reported(tmp_path: Path) -> None:
    with pytest.raises(UnreadableExport, match="No such file"):
        read_export(tmp_path / "gone.csv", profile_of(tmp_path))


# ---------------------------------------------------------------------------------------------------------------------------- JSON


def test_json_lines_keep_numbers_as_written_and_nested_values_by_path(tmp_path: Path) -> None:
    lines = '{"when": "a", "pace": 91.50, "pos": {"xyz": [1, 2.0, null]}, "ok": true}\n\n{"when": "b", "pace": 1e2}\n'
    raw = read(tmp_path, lines, 'format = "json_lines"', "a.jsonl")
    assert column(raw, "pace") == ["91.50", "1e2"]
    assert raw.cells.select("pos.xyz.1", "ok", "file_row").rows() == [("2.0", "true", 1), (None, None, 3)]


def test_a_broken_json_line_is_set_aside_and_the_others_stay(tmp_path: Path) -> None:
    lines = '{"when": "a", "pace": 1}\n{"when": "b", "pa\n[1]\n' + "[" * 100_000 + '\n{"when": "c", "pace": NaN}\n'
    raw = read(tmp_path, lines, 'format = "json_lines"', "a.jsonl")
    assert (column(raw, "pace"), raw.problems.get_column("file_row").to_list()) == (["1", "NaN"], [2, 3, 4])
    assert raw.rows_read == 5


def test_a_missing_key_is_null_and_a_likely_new_name_is_reported(tmp_path: Path) -> None:
    raw = read(tmp_path, '{"when": "a", "pace_": 1}\n', 'format = "json_lines"', "a.jsonl")
    assert column(raw, "pace") == [None]
    assert raw.problems.select("level", "reason").rows() == [("value", "no record has 'pace'; nearest: 'pace_'")]
    assert raw.rows_read == 1


def test_a_key_with_two_different_values_gives_neither_and_is_reported(tmp_path: Path) -> None:
    """RFC 8259, section 4: names within an object should be unique; what a reader makes of others is unpredictable."""
    lines = (
        '{"when": "a", "pace": 91, "pace": 92}\n{"when": "b", "pace": 93, "pace": 93}\n'
        '{"when": "c", "pace": 94, "pos": {"x": 1, "x": null}, "pos.y": 5}\n{"when": "d", "pos.x": 3, "pos": {"x": 4}, "pos": {"x": 4}}\n'
    )
    raw = read(tmp_path, lines, 'format = "json_lines"', "a.jsonl")
    assert column(raw, "pace") == [None, "93", "94", None]
    assert (column(raw, "pos.x"), column(raw, "pos.y")) == ([None, None, None, None], [None, None, "5", None])
    lines = raw.problems.select("level", "file_row", "column", "value").rows()
    assert lines == [
        ("value", 1, "pace", "91 / 92"),
        ("value", 3, "pos.x", "1 / null"),
        ("value", 4, "pos.x", "3 / 4"),
    ]
    assert "twice in one record" in raw.problems.get_column("reason")[0]
    assert raw.rows_read == 4


def test_a_json_document_gives_its_records_and_carries_its_values(tmp_path: Path) -> None:
    document = {
        "meta": {"day": "2026-10-16"},
        "night": {"rows": [{"when": "a", "pace": 1}, 5, {"when": "b", "pace": 2}]},
    }
    profile = profile_of(
        tmp_path,
        'format = "json"\nrecords = "night.rows"',
        time='date_column = "@document.meta.day"\ndate_formats = ["iso8601"]',
    )
    raw = read_export(export(tmp_path, json.dumps(document), "a.json"), profile)
    assert (column(raw, "pace"), column(raw, "file_row")) == (["1", "2"], [1, 3])
    assert raw.carried["@document.meta.day"] == "2026-10-16"
    assert raw.problems.get_column("file_row").to_list() == [2]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('{"rows": [{"when": "a"', "the file is cut off"),
        ('{"other": 1}', "no list of records at 'rows'; the document has: other"),
        ("[" * 100_000, "nested too deep"),
        ('{"rows": {"a": 1}}', "no list of records"),
        ('{"rows": [{"when": "a"}], "rows": [{"when": "b"}]}', "the key 'rows' occurs twice"),
    ],
)
def test_a_document_that_is_not_as_stated_is_refused(tmp_path: Path, text: str, expected: str) -> None:
    assert expected in refused(tmp_path, text, 'format = "json"\nrecords = "rows"', "a.json").reason


# ---------------------------------------------------------------------------------------------------------------------------- XLSX


def workbook(folder: Path, rows: list[list[object]], name: str = "a.xlsx", sheet: str = "Pitches") -> Path:
    path = folder / name
    book = xlsxwriter.Workbook(path, {"default_date_format": "yyyy-mm-dd hh:mm:ss"})
    page = book.add_worksheet(sheet)
    for place, row in enumerate(rows):
        page.write_row(place, 0, row)
    book.close()
    return path


def test_a_sheet_is_read_with_preamble_gaps_dates_and_text_numbers(tmp_path: Path) -> None:
    from datetime import date, datetime, time

    rows: list[list[object]] = [
        ["Day:", "14.03."],
        [],
        ["when", "pace", "id", "day", "clock", "on"],
        [datetime(2026, 10, 16, 19, 0, 5), 91.5, "007", date(2026, 10, 16), time(19, 0, 5), True],
        [],
        [datetime(2026, 10, 17), "err", "12", date(2026, 10, 17), time(0, 0), False],
    ]
    file = 'format = "xlsx"\nsheet = "Pitches"\nheader_row = 3\n[file.preamble]\nday = \'Day:\\t(\\S+)\''
    raw = read_export(workbook(tmp_path, rows), profile_of(tmp_path, file))
    assert raw.cells.rows() == [
        ("2026-10-16 19:00:05", "91.5", "007", "2026-10-16", "19:00:05", "true", 4),
        ("2026-10-17 00:00:00", "err", "12", "2026-10-17", "00:00:00", "false", 6),
    ]
    assert raw.carried.items() >= {"@preamble.day": "14.03."}.items()


def test_true_numbers_of_a_sheet_keep_their_value_under_a_decimal_comma(tmp_path: Path) -> None:
    rows: list[list[object]] = [["when", "pace", "text"], ["2026-10-16 19:00:05", 91.5, "1.234,5"]]
    profile = profile_of(tmp_path, 'format = "xlsx"\ndecimal = ","\nthousands = "."')
    path = workbook(tmp_path, rows)
    assert column(read_export(path, profile), "pace") == ["91,5"]
    assert mapped(path, profile).sightings.get_column("release_speed_mph").to_list() == [91.5]


def test_formulas_count_by_their_stored_value(tmp_path: Path) -> None:
    book = xlsxwriter.Workbook(tmp_path / "a.xlsx")
    page = book.add_worksheet()
    page.write_row(0, 0, ["when", "pace"])
    page.write(1, 0, "a")
    page.write_formula(1, 1, "=90+1.5", None, 91.5)
    book.close()
    assert column(read_export(tmp_path / "a.xlsx", profile_of(tmp_path, 'format = "xlsx"')), "pace") == ["91.5"]


def test_a_missing_sheet_is_reported_with_the_existing_ones(tmp_path: Path) -> None:
    path = workbook(tmp_path, [["when", "pace"]])
    for sheet in ('"Throws"', "2"):
        with pytest.raises(UnreadableExport, match="Pitches"):
            read_export(path, profile_of(tmp_path, f'format = "xlsx"\nsheet = {sheet}'))


def zipped(parts: dict[str, bytes]) -> bytes:
    data = BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as book:
        for name, content in parts.items():
            book.writestr(name, content)
    return data.getvalue()


def rewritten(path: Path, sheet: bytes) -> bytes:
    """The workbook with another first sheet."""
    with zipfile.ZipFile(path) as book:
        parts = {part: book.read(part) for part in book.namelist()}
    return zipped(parts | {"xl/worksheets/sheet1.xml": sheet})


def test_a_workbook_that_would_unpack_to_gigabytes_is_refused_before(tmp_path: Path) -> None:
    bomb = zipped({f"xl/worksheets/sheet{n}.xml": b"<row/>" * 20_000_000 for n in range(4)})
    assert len(bomb) < 2**20
    assert "unpacks to 458 MB" in refused(tmp_path, bomb, 'format = "xlsx"', "a.xlsx").reason


def test_a_cell_in_the_farthest_corner_is_refused_before_the_rectangle_is_laid_out(tmp_path: Path) -> None:
    ns = b'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
    sheet = (
        b"<worksheet %s><sheetData><row r='1'><c r='A1'><v>1</v></c></row><row r='1048576'><c r='XFD1048576'><v>1</v></c></row></sheetData></worksheet>"
        % ns
    )
    data = rewritten(workbook(tmp_path, [["when", "pace"]]), sheet)
    assert "spans 1,048,576 rows and 16,384 columns" in refused(tmp_path, data, 'format = "xlsx"', "b.xlsx").reason


@pytest.mark.parametrize("data", [b"PK\x03\x04", b"\xd0\xcf\x11\xe0" * 200, b"when,pace\n", zipped({"a": b"b"})])
def test_a_file_that_is_not_a_workbook_is_refused(tmp_path: Path, data: bytes) -> None:
    refused(tmp_path, data, 'format = "xlsx"', "a.xlsx")


def test_a_part_that_lies_about_its_size_is_refused(tmp_path: Path) -> None:
    data = bytearray(workbook(tmp_path, [["when", "pace"], ["a", 1]]).read_bytes())
    # the uncompressed size in the first entry of the central directory
    at = data.index(b"PK\x01\x02") + 24
    data[at : at + 4] = struct.pack("<I", 5)
    refused(tmp_path, bytes(data), 'format = "xlsx"', "b.xlsx")


# ------------------------------------------------------------------------------------------------------------------------- Parquet


def test_parquet_gives_text_by_path(tmp_path: Path) -> None:
    frame = pl.DataFrame(
        {"when": ["a", None], "pace": [91.5, float("nan")], "pos": [{"xyz": [1.0, 2.5]}, {"xyz": None}], "n": [7, 8]}
    )
    frame.write_parquet(tmp_path / "a.parquet")
    raw = read_export(tmp_path / "a.parquet", profile_of(tmp_path, 'format = "parquet"'))
    assert column(raw, "pace") == ["91.5", "NaN"]
    assert raw.cells.select("pos.xyz.1", "n", "file_row").rows() == [("2.5", "7", 1), (None, "8", 2)]


@pytest.mark.parametrize("data", [b"PAR1", b"PAR1" + b"\x00" * 50 + b"PAR1", b"when,pace\n"])
def test_a_broken_parquet_file_is_refused(tmp_path: Path, data: bytes) -> None:
    refused(tmp_path, data, 'format = "parquet"', "a.parquet")


# ------------------------------------------------------------------------------------------------------------ formats, any bytes


def formats(folder: Path) -> dict[str, tuple[Path, Profile]]:
    """The same four pitches in every format."""
    rows = [
        {"when": f"2026-10-16 19:0{n}:00", "pace": 90.5 + n, "who": "Brandt, Ivo" if n % 2 else 'The "Ox"', "n": n}
        for n in range(4)
    ]
    frame = pl.DataFrame(rows)
    frame.write_csv(folder / "a.csv")
    frame.write_csv(folder / "a.tsv", separator="\t")
    frame.write_ndjson(folder / "a.jsonl")
    (folder / "a.json").write_text(json.dumps(rows))
    frame.write_parquet(folder / "a.parquet")
    workbook(folder, [list(rows[0]), *(list(row.values()) for row in rows)])
    rest = """[keys]
pitcher = "who"
sequence = "n"
[metric.release_speed_mph]
column = "pace"
unit = "mph"
at = "release"
"""
    kinds = {"csv": "csv", "tsv": "tsv", "jsonl": "json_lines", "json": "json", "parquet": "parquet", "xlsx": "xlsx"}
    return {end: (folder / f"a.{end}", profile_of(folder, f'format = "{kind}"', rest)) for end, kind in kinds.items()}


def test_the_same_rows_give_the_same_sightings_in_every_format(tmp_path: Path) -> None:
    found = {
        end: mapped(path, profile).sightings.drop("file_id", "file_row")
        for end, (path, profile) in formats(tmp_path).items()
    }
    assert found["csv"].height == 4
    assert found["csv"].get_column("pitcher_label").to_list() == ['The "Ox"', "Brandt, Ivo"] * 2
    for sightings in found.values():
        assert sightings.equals(found["csv"])


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, Profile]]:
    return formats(tmp_path_factory.mktemp("formats"))


EDIT = st.tuples(st.integers(0, 5_000), st.integers(0, 40), st.binary(max_size=12))


@settings(max_examples=examples(300), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    end=st.sampled_from(["csv", "tsv", "jsonl", "json", "parquet", "xlsx"]),
    edits=st.lists(EDIT, min_size=1, max_size=4),
)
def test_any_bytes_are_counted_or_refused(
    whole: dict[str, tuple[Path, Profile]], end: str, edits: list[tuple[int, int, bytes]], tmp_path: Path
) -> None:
    path, profile = whole[end]
    data = path.read_bytes()
    for at, length, put in edits:
        at %= len(data) + 1
        data = data[:at] + put + data[at + length :]
    mutated = tmp_path / path.name
    mutated.write_bytes(data)
    try:
        mapped(mutated, profile)
    except UnreadableExport as fault:
        assert fault.reason and fault.fix


@settings(max_examples=examples(100), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(alphabet='a1,;"\n\r\t #\x00.-', max_size=200), quote=st.sampled_from(['"', "", "'"]))
def test_each_line_of_any_text_is_a_row_or_no_row(tmp_path: Path, text: str, quote: str) -> None:
    profile = profile_of(tmp_path, f'format = "csv"\nquote = {json.dumps(quote)}')
    try:
        raw = read_export(export(tmp_path, HEAD + text), profile)
    except UnreadableExport:
        return
    rows = raw.cells.get_column("file_row").to_list() + raw.problems.get_column("file_row").to_list()
    assert len(set(rows)) == len(rows) == raw.rows_read
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    assert all(lines[row - 2].strip(" \t\x00,") for row in rows)
