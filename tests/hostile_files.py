"""Small files that once ended a night: each unpacks, repeats or nests into more than a machine holds. Made here, not kept."""

import io
import zipfile
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.settings.profile import Profile
from tests.exports import profile_of

CSV = 'format = "csv"'
CARRIED = """
format = "csv"
header_row = 2
[file.preamble]
unit = 'unit (.*)'
"""
PITCHER = """
[keys]
pitcher = "who"
[metric.release_speed_mph]
column = "pace"
unit = "mph"
at = "release"
"""
_HEAD = "when,who,pace\n"
_ROW = "2026-10-20 18:00:{:02},{},90.5\n"
_WORKBOOK = {
    "[Content_Types].xml": '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/>'
    '<Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>',
    "_rels/.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" '
    'Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>',
    "xl/workbook.xml": '<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" '
    'xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets><sheet name="s" sheetId="1" r:id="rId1"/>'
    "</sheets></workbook>",
    "xl/_rels/workbook.xml.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship '
    'Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/>'
    '<Relationship Id="rId2" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/sharedStrings" '
    'Target="sharedStrings.xml"/></Relationships>',
}
_SHEET = (
    '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>{}</sheetData></worksheet>'
)
_SHARED = '<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">{}</sst>'


def workbook(cells: str, *texts: str) -> bytes:
    """Return a workbook whose sheet has these `<row>` elements, and whose shared texts are `texts`."""
    shared = _SHARED.format("".join(f"<si><t>{text}</t></si>" for text in texts))
    parts = _WORKBOOK | {"xl/worksheets/sheet1.xml": _SHEET.format(cells), "xl/sharedStrings.xml": shared}
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as book:
        for name, content in parts.items():
            book.writestr(name, content)
    return held.getvalue()


def _header_cells() -> str:
    return '<row r="1"><c r="A1" t="s"><v>0</v></c><c r="B1" t="s"><v>1</v></c><c r="C1" t="s"><v>2</v></c></row>'


def small_letters() -> bytes:
    """A cell reference in small letters: 200,000 rows of 16,384 columns."""
    return workbook(_header_cells() + '<row r="2"><c r="xfd200000"><v>1</v></c></row>', "when", "who", "pace")


def far_letters() -> bytes:
    """A cell reference beyond any column of a workbook."""
    return workbook(_header_cells() + '<row r="2"><c r="ZZZZZZ9"><v>1</v></c></row>', "when", "who", "pace")


def shared_text() -> bytes:
    """A text of 20 MB that 3,000 cells share: 60 GB."""
    rows = "".join(f'<row r="{row}"><c r="B{row}" t="s"><v>3</v></c></row>' for row in range(2, 3_002))
    return workbook(_header_cells() + rows, "when", "who", "pace", "x" * 20_000_000)


def dictionary_value() -> bytes:
    """A dictionary's text of 200 MB that 60 rows share: 12 GB."""
    who = pa.DictionaryArray.from_arrays(pa.array([0] * 60, pa.int32()), pa.array(["x" * 200_000_000]))
    held = io.BytesIO()
    when = [f"2026-10-20 18:00:{row:02}" for row in range(60)]
    rows = pa.table({"when": when, "who": who, "pace": [90.5] * 60})  # type: ignore[attr-defined]
    pq.write_table(rows, held, compression="zstd")  # type: ignore[no-untyped-call]
    return held.getvalue()


def long_name() -> bytes:
    """A pitcher's name of 1 MB in 150 rows, beside one good row."""
    rows = [_ROW.format(row % 60, "x" * 999_900) for row in range(150)]
    return (_HEAD + _ROW.format(1, "Arm One") + "".join(rows)).encode()


def long_carried_value() -> bytes:
    """A value of 1,000,000 digits above the header, which holds for 3,000 rows."""
    return ("unit " + "9" * 1_000_000 + "\n" + _HEAD + _ROW.format(1, "Arm One") * 3_000).encode()


def empty_records() -> bytes:
    """36 MB of records without a value."""
    return b"{}\n" * 12_000_000


def open_quote() -> bytes:
    """A header of a quote and 60,000,000 letters."""
    return b'"' + b"x" * 60_000_000


def nested_document() -> bytes:
    """20,000,000 empty lists."""
    return b'{"all": [' + b"[]," * 20_000_000 + b"[]]}"


def wide_records() -> bytes:
    """400 records, each with 3,000 keys of its own."""
    records = ("{" + ",".join(f'"k{row}.{key}": 1' for key in range(3_000)) + "}\n" for row in range(400))
    return "".join(records).encode()


# name: format of the profile's [file], keys of the profile besides it, content, and a word of the reason
FILES: dict[str, tuple[str, str, Callable[[], bytes], str]] = {
    "small_letters.xlsx": ('format = "xlsx"', PITCHER, small_letters, "spans 200,000 rows and 16,384 columns"),
    "far_letters.xlsx": ('format = "xlsx"', PITCHER, far_letters, "columns"),
    "shared_text.xlsx": ('format = "xlsx"', PITCHER, shared_text, "texts of all cells take 57221 MB"),
    "dictionary_value.parquet": ('format = "parquet"', PITCHER, dictionary_value, "texts of all cells take 11444 MB"),
    "long_carried_value.csv": (CARRIED, PITCHER.replace('"who"', '"@preamble.unit"'), long_carried_value, "has 999,995 characters; 500"),
    "empty_records.jsonl": ('format = "json_lines"', PITCHER, empty_records, "12,000,000 lines"),
    "open_quote.csv": (CSV, PITCHER, open_quote, "the header has 60,000,001 characters"),
    "nested_document.json": ('format = "json"\nrecords = "all"', PITCHER, nested_document, "about 40,000,003 values"),
    "wide_records.jsonl": ('format = "json_lines"', PITCHER, wide_records, "20,000 columns"),
}  # fmt: skip


def profile_for(name: str, folder: Path) -> Profile:
    """Return the profile that reads a file of FILES."""
    form, rest, _, _ = FILES[name]
    folder.mkdir(parents=True, exist_ok=True)
    return profile_of(folder, form, rest)
