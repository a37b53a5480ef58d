"""Exports spoilt in every way that disks, people and enemies spoil them: one seed, one spoilt file. All invented, made from the demo's."""

import json
import random
import re
import zipfile
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import NamedTuple

import polars as pl
import xlsxwriter

from pipeline.settings.ledger import TrackerSettings, load_ledger
from pipeline.settings.profile import Profile
from tests.exports import profile_of, tracker_of

PROJECT = Path(__file__).parents[1]
SMALL = {
    "stadium_radar": "2026-10/radar_2026-10-20_v1.csv",
    "camera_array": "camera_2026-10-20.xlsx",
    "pen_unit": "20261014/wurf_20261014_1507_Nord.csv",
    "ball": "2026-10-20/ball_2026-10-20_2.jsonl",
}
ROWS = 40
NAMED = """
[keys]
pitcher = "who"
[labels.pitcher_hand]
column = "throws"
words = { "l" = "left", "r" = "right" }
unknown = "null"
[metric.release_speed_mph]
column = "pace"
unit = "mph"
at = "release"
[metric.spin_axis_deg]
column = "face"
form = "clock"
view = "pitcher"
how = "measured"
"""

Spoil = Callable[[random.Random, str], str]


class Original(NamedTuple):
    """A sound export and what reads it."""

    tracker: TrackerSettings
    name: str
    data: bytes

    @property
    def profile(self) -> Profile:
        return self.tracker.profile


def originals(folder: Path) -> list[Original]:
    """One small export of each demo tracker, and one each of the formats that no demo tracker writes."""
    ledger = load_ledger(PROJECT / "demo_inputs")
    found = []
    for tracker in ledger.trackers:
        data = (tracker.inbox / SMALL[tracker.id]).read_bytes()
        short = data if tracker.profile.file.format == "xlsx" else b"".join(data.splitlines(keepends=True)[:ROWS])
        found.append(Original(tracker, Path(SMALL[tracker.id]).name, short))
    return [*found, *_others(folder)]


def _others(folder: Path) -> list[Original]:
    rows = [
        {
            "when": f"2026-10-20 18:{minute:02}:07",
            "who": f"Arm {minute % 3}",
            "throws": "r",
            "pace": 90.5 + minute / 10,
            "face": "1:15",
        }
        for minute in range(20)
    ]
    made = []
    for form in ("json", "parquet"):
        own = folder / form
        own.mkdir(parents=True)
        profile = profile_of(own, f'format = "{form}"' + ('\nrecords = "all"' if form == "json" else ""), NAMED)
        if form == "json":
            data = json.dumps({"all": rows}).encode()
        else:
            held = BytesIO()
            pl.DataFrame(rows).write_parquet(held)
            data = held.getvalue()
        made.append(Original(tracker_of(profile), f"own.{form}", data))
    return made


def spoilt(original: Original, seed: int) -> bytes:
    """The export with one to three faults, by the seed alone."""
    rng = random.Random(f"{original.name} {seed}")
    data = original.data
    for _ in range(rng.randint(1, 3)):
        data = _spoil_once(rng, data, original.profile.file.format)
    return data


def _spoil_once(rng: random.Random, data: bytes, form: str) -> bytes:
    if form == "xlsx" and rng.random() < 0.7:
        return _spoil_sheet(rng, data)
    if form in ("xlsx", "parquet") or rng.random() < 0.3:
        return rng.choice(OF_BYTES)(rng, data)
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return rng.choice(OF_BYTES)(rng, data)
    kinds = [*OF_TEXT, *(OF_JSON if form.startswith("json") else OF_TABLES)]
    return rng.choice(kinds)(rng, text).encode("utf-8", "surrogatepass")


def _spoil_sheet(rng: random.Random, data: bytes) -> bytes:
    """A fault inside the workbook's parts; the archive around it stays sound."""
    try:
        with zipfile.ZipFile(BytesIO(data)) as book:
            parts = {name: book.read(name) for name in book.namelist()}
    except Exception:
        return data[: rng.randrange(len(data) + 1)]
    name = rng.choice([name for name in parts if name.endswith(".xml")] or [*parts])
    xml = parts[name].decode("utf-8", "replace")
    parts[name] = rng.choice([*OF_XML, *OF_TEXT])(rng, xml).encode("utf-8", "replace")
    if rng.random() < 0.05:
        del parts[name]
    return zipped(parts)


def zipped(parts: dict[str, bytes]) -> bytes:
    held = BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as book:
        for name, content in parts.items():
            book.writestr(name, content)
    return held.getvalue()


# ---- faults of bytes ---------------------------------------------------------------------------------------------------------------------


def _place(rng: random.Random, data: bytes | str) -> int:
    return rng.randrange(len(data) + 1)


def _flip(rng: random.Random, data: bytes) -> bytes:
    changed = bytearray(data)
    for _ in range(rng.choice((1, 3, 30)) if data else 0):
        changed[rng.randrange(len(changed))] = rng.randrange(256)
    return bytes(changed)


def _insert(rng: random.Random, data: bytes) -> bytes:
    piece = rng.choice(
        (b"\x00", b"\x00" * 512, b"\xef\xbb\xbf", b"\xff\xfe", b"\xe4\xf6", b"\x1f", b"\x1a", rng.randbytes(40))
    )
    place = _place(rng, data)
    return data[:place] + piece + data[place:]


def _cut(rng: random.Random, data: bytes) -> bytes:
    return data[: _place(rng, data)]


def _cut_out(rng: random.Random, data: bytes) -> bytes:
    start, end = sorted((_place(rng, data), _place(rng, data)))
    return data[:start] + data[end:]


def _double(rng: random.Random, data: bytes) -> bytes:
    return data + data


def _recoded(rng: random.Random, data: bytes) -> bytes:
    return data.decode("utf-8", "replace").encode(
        rng.choice(("utf-16", "utf-16-le", "utf-32", "cp1252", "utf-8-sig", "utf-7")), "replace"
    )


def _zeros_at_the_end(rng: random.Random, data: bytes) -> bytes:
    place = _place(rng, data)
    return data[:place] + b"\x00" * (len(data) - place)


OF_BYTES = (_flip, _insert, _cut, _cut_out, _double, _recoded, _zeros_at_the_end)

# ---- faults of any text ------------------------------------------------------------------------------------------------------------------

ODD = (
    "=HYPERLINK(\"http://x\")", "@SUM(A1)", "[red]x[/red]", "\u202eliam", "a\x1b[31m", "NaN", "inf", "-inf", "1e999", "1e-400", "9" * 400, "-0",
    "0x1F", "1,234.5", "1.234,5", "95,1", " 95.1 ", "\u221295.1", "٩٥", "½", "n/a", "-", "null", "None", "TRUE", "#DIV/0!", "03/04/2026",
    "13/13/2026", "02/29/2026", "10/20/26", "2026-10-20", "25:61:61", "24:00:00", "02:30:00", "01:30:00", "23:59:60", "1:5", "0:00", "12:60",
    "99999999999999999999", "-1", "3.5", "\u0130stanbul", "e\u0301", "\U0001f9e2", "\ufeff", "\u2028", "\x85", "'", '"', '""', "\\", "$(reboot)", "x" * 5_000,
)  # fmt: skip


def _lines(text: str) -> list[str]:
    return text.split("\n")


def _shuffle(rng: random.Random, text: str) -> str:
    lines = _lines(text)
    rng.shuffle(lines)
    return "\n".join(lines)


def _repeat_lines(rng: random.Random, text: str) -> str:
    return "\n".join(line for line in _lines(text) for _ in range(rng.choice((1, 1, 2, 3))))


def _drop_lines(rng: random.Random, text: str) -> str:
    return "\n".join(line for line in _lines(text) if rng.random() > 0.1)


def _line_ends(rng: random.Random, text: str) -> str:
    return "".join(line + rng.choice(("\n", "\r", "\r\n", "\n\r", "\n\n")) for line in _lines(text))


def _old_line_ends(rng: random.Random, text: str) -> str:
    return text.replace("\n", "\r")


def _odd_number(rng: random.Random, text: str) -> str:
    share = rng.choice((0.005, 0.05, 0.5))
    return re.sub(r"\d+([.,:/-]\d+)*", lambda found: rng.choice(ODD) if rng.random() < share else found[0], text)


def _odd_word(rng: random.Random, text: str) -> str:
    share = rng.choice((0.01, 0.2))
    return re.sub(r"[A-Za-z]+", lambda found: rng.choice(ODD) if rng.random() < share else found[0], text)


def _insert_odd(rng: random.Random, text: str) -> str:
    place = _place(rng, text)
    return text[:place] + rng.choice(ODD) + text[place:]


OF_TEXT: tuple[Spoil, ...] = (
    _shuffle, _repeat_lines, _drop_lines, _line_ends, _old_line_ends, _odd_number, _odd_number, _odd_word, _insert_odd,
)  # fmt: skip

# ---- faults of tables --------------------------------------------------------------------------------------------------------------------


def _other_delimiter(rng: random.Random, text: str) -> str:
    old, new = rng.choice((",", ";")), rng.choice((",", ";", "\t", "|", " ", ",,", "\x1f"))
    share = rng.choice((0.02, 1.0))
    return "".join(new if sign == old and rng.random() < share else sign for sign in text)


def _quotes(rng: random.Random, text: str) -> str:
    share = rng.choice((0.002, 0.05))
    return "".join(
        sign + rng.choice(('"', '""', "'")) if sign in ",;\n" and rng.random() < share else sign for sign in text
    )


def _headers(rng: random.Random, text: str) -> str:
    """Names that stand twice, are changed, or lead onto fields that are not there."""
    lines = _lines(text)
    place = rng.randrange(min(len(lines), 12))
    sign = ";" if ";" in lines[place] else ","
    names = lines[place].split(sign)
    names[rng.randrange(len(names))] = rng.choice(
        (names[0], names[-1].upper(), "", "file_row", "@file", "content", "stamp", *ODD)
    )
    rng.shuffle(names) if rng.random() < 0.2 else None
    lines[place] = sign.join(names)
    return "\n".join(lines)


def _field_more(rng: random.Random, text: str) -> str:
    return "\n".join(line + rng.choice(("", "", "", ",", ",x", ";", ";;;")) for line in _lines(text))


def _columns_swapped(rng: random.Random, text: str) -> str:
    """Two columns change places without their names: words stand where numbers should."""
    sign = ";" if text.count(";") > text.count(",") else ","
    first, second = rng.randrange(12), rng.randrange(12)
    rows = [line.split(sign) for line in _lines(text)]
    for row in rows[1:]:
        if max(first, second) < len(row):
            row[first], row[second] = row[second], row[first]
    return "\n".join(map(sign.join, rows))


OF_TABLES: tuple[Spoil, ...] = (_other_delimiter, _quotes, _headers, _field_more, _columns_swapped)

# ---- faults of JSON and of workbooks -----------------------------------------------------------------------------------------------------

JSON_VALUES = (
    "NaN", "Infinity", "-Infinity", "1e999", "9" * 5_000, "null", "true", "[]", "{}", "[1,2,3]", '{"a":{"b":[1]}}', '"\\u0000"', '"\\ud800"', "[" * 5_000,
    "[" * 200 + "]" * 200, '{"a":' * 3_000 + "1" + "}" * 3_000, "[" + "1," * 500 + "1]",
)  # fmt: skip


def _json_value(rng: random.Random, text: str) -> str:
    share = rng.choice((0.005, 0.1))
    return re.sub(
        r"(?<=:) ?[^,:{}\[\]]+", lambda found: rng.choice(JSON_VALUES) if rng.random() < share else found[0], text
    )


def _json_key(rng: random.Random, text: str) -> str:
    keys = ("ms", "ball", "file_row", "", "turns.per_min", "content", "\\u0000", "\\ud800", "[b]k[/b]")
    return re.sub(r'"[^"]*"(?=:)', lambda found: f'"{rng.choice(keys)}"' if rng.random() < 0.02 else found[0], text)


def _arrays(rng: random.Random, text: str) -> str:
    return "\n".join(f"[{line}]" if rng.random() < 0.1 else line for line in _lines(text))


OF_JSON: tuple[Spoil, ...] = (_json_value, _json_key, _arrays)


def _cell_type(rng: random.Random, xml: str) -> str:
    kinds = (' t="s"', ' t="str"', ' t="b"', ' t="e"', ' t="d"', ' t="n"', ' t="inlineStr"', "")
    return re.sub(r' t="\w+"', lambda found: rng.choice(kinds) if rng.random() < 0.02 else found[0], xml)


def _cell_value(rng: random.Random, xml: str) -> str:
    values = ("", "1e999", "NaN", "-5", "99999999", "#DIV/0!", "x", "1&lt;b&gt;", "44000.5", "-0.1")
    return re.sub(
        r"<v>[^<]*</v>", lambda found: f"<v>{rng.choice(values)}</v>" if rng.random() < 0.02 else found[0], xml
    )


def _cell_place(rng: random.Random, xml: str) -> str:
    places = ("A1", "XFD1048576", "ZZZZ99999999999", "B0", "", "1", "AA3")
    return re.sub(
        r' r="[A-Z]+\d+"', lambda found: f' r="{rng.choice(places)}"' if rng.random() < 0.003 else found[0], xml
    )


def _formula(rng: random.Random, xml: str) -> str:
    return re.sub("<v>", lambda found: "<f>1/0</f><v>" if rng.random() < 0.05 else found[0], xml)


def _merged(rng: random.Random, xml: str) -> str:
    return xml.replace("</sheetData>", '</sheetData><mergeCells count="1"><mergeCell ref="A4:F9"/></mergeCells>')


OF_XML: tuple[Spoil, ...] = (_cell_type, _cell_value, _cell_place, _formula, _merged)

# ---- whole files that are meant ill ------------------------------------------------------------------------------------------------------


def book(*rows: list[object]) -> bytes:
    """A workbook of one sheet; texts that begin with = are formulas."""
    held = BytesIO()
    with xlsxwriter.Workbook(held, {"in_memory": True}) as made:
        sheet = made.add_worksheet("Pitches")
        for number, row in enumerate(rows):
            sheet.write_row(number, 0, row)
    return held.getvalue()


def bomb() -> bytes:
    """A workbook of some hundred kilobytes that would unpack to half a gigabyte."""
    with zipfile.ZipFile(BytesIO(book(["a"]))) as sound:
        parts = {name: sound.read(name) for name in sound.namelist()}
    parts["xl/worksheets/sheet1.xml"] = b"<worksheet><sheetData>" + b" " * (500 * 2**20)
    return zipped(parts)
