"""The four devices' export formats, all our own invention, and the faults of their files.

A `Written` is one export: its path below the inbox, its bytes, and one line of truth for every record in it (`file_row` counts as a
person does, from 1, the header and preamble included).
"""

import io
import json
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, NamedTuple

import numpy as np
import polars as pl
import xlsxwriter

from tests.simulator.demo_people import Player, name_as, stream
from tests.simulator.demo_play import ZONE
from tests.simulator.demo_trackers import everybody

FT_TO_M, IN_TO_CM, MPH_TO_KMH, MPH_TO_MPS = 0.3048, 2.54, 1.609344, 0.44704


class Line(NamedTuple):
    """The truth about one record of one export."""

    file_row: int
    native_id: str | None
    key: str | None
    record: str
    label_fault: str | None
    value_fault: str | None


class Written(NamedTuple):
    tracker: str
    name: str
    content: bytes
    lines: tuple[Line, ...]


Cell = str | None
Column = Callable[[dict[str, Any]], Cell]


def number(name: str, places: int, factor: float = 1.0, shift: float = 0.0) -> Column:
    """The reading `name` times `factor` plus `shift` as a device prints it; "" where there is none."""

    def cell(row: dict[str, Any]) -> Cell:
        value = row[name]
        return "" if value is None else f"{value * factor + shift:.{places}f}"

    return cell


def word(name: str, words: dict[str | None, str] | None = None) -> Column:
    return lambda row: (words.get(row[name], "") if words else row[name]) or ""


def local(at: float, form: str) -> str:
    return datetime.fromtimestamp(at, ZONE).strftime(form)


# ---- stadium radar
RADAR_KINDS = {
    "four_seam": "straight",
    "two_seam": "runner",
    "sinker": "sinking",
    "cutter": "cut",
    "slider": "slide",
    "sweeper": "wide slide",
    "curveball": "bend",
    "changeup": "slow",
    "splitter": "fork",
}
RADAR_RULINGS: dict[str | None, str] = {
    "ball": "wide",
    "called_strike": "taken",
    "swinging_strike": "missed",
    "foul": "tipped",
    "in_play": "struck",
    "hit_by_pitch": "hit batter",
}
RADAR_RESULTS: dict[str | None, str] = {
    "single": "one base",
    "double": "two bases",
    "triple": "three bases",
    "home_run": "over the fence",
    "out": "put out",
    "strikeout": "struck out",
    "walk": "walked",
    "hit_by_pitch": "hit batter",
    "error": "misplay",
    "fielders_choice": "other man out",
    "sacrifice": "given up",
}
RADAR_USE: dict[str | None, str] = {"game": "match", "scrimmage": "own match", "live_bp": "batting practice"}
_SIDES: dict[str | None, str] = {"right": "righty", "left": "lefty"}


def _turned_reading(axis_name: str, places: int, from_axis: Callable[[float], float]) -> Column:
    def cell(row: dict[str, Any]) -> Cell:
        axis = row[axis_name]
        return "" if axis is None else f"{from_axis(axis) % 360:.{places}f}"

    return cell


def _arm_side(row: dict[str, Any]) -> Cell:
    run = row["horizontal_same_time_in"]
    return "" if run is None else f"{run * (-1 if row['pitcher_hand'] == 'right' else 1):.1f}"


def _person(people: dict[str, Player], name: str, what: Callable[[Player], str]) -> Column:
    return lambda row: what(people[row[name]]) if row[name] else ""


def _radar_number(people: dict[str, Player]) -> Column:
    # a name typed by hand has no number
    return lambda row: "" if row["label_fault"] == "misspelt" else people[row["label_id"]].number


def radar_columns() -> dict[str, Column]:
    """The 40 columns that the profile reads, the first half of the file; `filler_columns` follow."""
    people = everybody()
    return {
        "rec": word("native_id"),
        "day": lambda row: local(row["device_at"], "%m/%d/%Y"),
        "clock": lambda row: local(row["device_at"], "%H:%M:%S"),
        "use": word("occasion", RADAR_USE),
        "what": word("shown", {"pitch": "pitch", "warm_up": "warm-up", "return": "throw back"}),
        "thrower": word("label"),
        "thrower_no": _radar_number(people),
        "throws": word("pitcher_hand", _SIDES),
        "side_in_field": _person(people, "pitcher", lambda p: p.team),
        "hitter": _person(people, "batter", lambda p: name_as(p, "last_first")),
        "hitter_no": _person(people, "batter", lambda p: p.number),
        "stands": _person(people, "batter", lambda p: _SIDES[p.bats]),
        "frame": number("inning", 0),
        "frame_part": word("half", {"top": "upper", "bottom": "lower"}),
        "gone": number("outs", 0),
        "wides": number("balls", 0),
        "goods": number("strikes", 0),
        "kind": word("kind_word"),
        "ruling": word("pitch_result", RADAR_RULINGS),
        "result": word("plate_appearance_result", RADAR_RESULTS),
        "mph_out": number("release_speed_mph", 1),
        "mph_over": number("plate_speed_mph", 1),
        "rpm": number("spin_rate_rpm", 0),
        "push_dir": _turned_reading("spin_axis_deg", 0, lambda a: a - 180),
        "push_share": number("spin_efficiency", 0, 100),
        "lift_in": number("vertical_same_time_in", 1),
        "sweep_in": _arm_side,
        "out_high": number("release_height_ft", 2),
        "out_wide": number("release_side_ft", 2),
        "stride": number("extension_ft", 2),
        "over_high": number("plate_height_ft", 2),
        "over_wide": number("plate_side_ft", 2, -1),
        "dip_deg": number("vertical_approach_deg", 2, -1),
        "veer_deg": number("horizontal_approach_deg", 2),
        "air_ms": number("flight_time_s", 0, 1000),
        "bat_mph": number("exit_velocity_mph", 1),
        "bat_up": number("launch_angle_deg", 1),
        "bat_way": number("spray_angle_deg", 1),
        "bat_ft": number("carry_distance_ft", 0),
    }


FILLERS = (
    *("unit", "firm", "lock", "gain", "clutter", "air_f", "damp", "wind", "wind_dir", "glass"),
    *(f"echo{i:02d}" for i in range(1, 17)),
    *(f"cell{i:02d}" for i in range(1, 25)),
    *(f"hop{i}" for i in range(1, 9)),
    *(
        "bat_spin",
        "bat_hang",
        "catcher",
        "catch_ms",
        "clip",
        "note",
        "edited",
        "edited_by",
        "spare1",
        "spare2",
        "spare3",
        "spare4",
    ),
)


def _filler(rng: np.random.Generator, rows: int) -> list[list[str]]:
    """Columns that nobody maps: a few short numbers, most of them blank."""
    digits = rng.integers(0, 10, (rows, len(FILLERS)))
    filled = rng.random(len(FILLERS)) < 0.3
    filled[:4] = True
    return [[str(d) if keep else "" for d, keep in zip(line, filled, strict=True)] for line in digits]


def radar_file(rows: pl.DataFrame, name: str) -> Written:
    columns = radar_columns()
    rng = stream(f"filler {name.replace('_v2', '_v1')}")
    records = rows.to_dicts()
    cells = [[_quoted(column(row) or "") for column in columns.values()] + filler
             for row, filler in zip(records, _filler(rng, len(records)), strict=True)]  # fmt: skip
    text = "\n".join([",".join([*columns, *FILLERS]), *(",".join(line) for line in cells)]) + "\n"
    return Written("stadium_radar", name, text.encode(), _lines(records, 2))


def _quoted(cell: str) -> str:
    return f'"{cell}"' if "," in cell else cell


def _lines(records: list[dict[str, Any]], first_row: int) -> tuple[Line, ...]:
    return tuple(
        Line(i, row["native_id"], row["key"], row["record"], row["label_fault"], row["value_fault"])
        for i, row in enumerate(records, first_row)
    )


# ---- camera array
CAMERA_KINDS = {
    "four_seam": "Gerade",
    "two_seam": "Läufer",
    "sinker": "Sinker",
    "cutter": "Schnitt",
    "slider": "Rutscher",
    "sweeper": "Feger",
    "curveball": "Bogen",
    "changeup": "Bremse",
    "splitter": "Gabel",
}
CAMERA_USE: dict[str | None, str] = {"game": "Spiel", "scrimmage": "Übungsspiel", "live_bp": "Schlagtraining"}


def camera_columns() -> dict[str, Column]:
    """Metres and seconds at 15.5 m before the plate's front edge; side positive to the catcher's left, distance toward the plate."""
    people = everybody()
    axes = {"quer": ("x", -1.0), "laengs": ("y", -1.0), "hoch": ("z", 1.0)}
    motion = {
        f"{prefix}_{axis}": number(f"{part}{letter}", 3, sign * FT_TO_M)
        for prefix, part in (("ort", "p"), ("tempo", "v"), ("schub", "a"))
        for axis, (letter, sign) in axes.items()
        if (prefix, axis) != ("ort", "laengs")
    }
    return {
        "Aufnahme": word("native_id"),
        "Zeit": lambda row: datetime.fromtimestamp(row["device_at"], UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z",
        "Anlass": word("occasion", CAMERA_USE),
        "Werfer": word("label"),
        "Schläger": _person(people, "batter", lambda p: name_as(p, "first_last")),
        "Abschnitt": number("inning", 0),
        "Hälfte": word("half", {"top": "oben", "bottom": "unten"}),
        "Art": lambda row: CAMERA_KINDS[row["pitch_type"]],
        **motion,
        "schritt_m": number("extension_ft", 3, FT_TO_M),
        "dreh_je_s": number("spin_rate_rpm", 2, 1 / 60),
        "dreh_richtung": _turned_reading("spin_axis_deg", 1, lambda a: a + 90),
        "ab_kmh": number("exit_velocity_mph", 1, MPH_TO_KMH),
        "ab_hoch": number("launch_angle_deg", 1),
        "ab_seite": number("spray_angle_deg", 1, -1),
        "ab_weite_m": number("carry_distance_ft", 1, FT_TO_M),
        "guete": lambda row: "B" if row["spin_rate_rpm"] is None else "A",
    }


_TEXT_COLUMNS = {"Aufnahme", "Zeit", "Anlass", "Werfer", "Schläger", "Hälfte", "Art", "guete"}


def camera_file(rows: pl.DataFrame, name: str) -> Written:
    columns, records = camera_columns(), rows.to_dicts()
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True}) as book:
        # the time of writing would make every copy another file
        book.set_properties({"created": datetime(2026, 11, 8), "title": "Kamerafeld"})
        sheet = book.add_worksheet("Aufnahmen")
        sheet.write_row(0, 0, ["Kamerafeld, Protokoll", f"{len(records)} Aufnahmen"])
        sheet.write_row(1, 0, ["Einheiten: m, s, Grad; Zeit in UTC"])
        sheet.write_row(2, 0, list(columns))
        for place, row in enumerate(records, 3):
            for at, (heading, column) in enumerate(columns.items()):
                cell = column(row)
                if cell:
                    sheet.write(place, at, cell) if heading in _TEXT_COLUMNS else sheet.write_number(
                        place, at, float(cell)
                    )
    return Written("camera_array", name, buffer.getvalue(), _lines(records, 4))


# ---- pen unit
UNIT_KINDS = {
    "four_seam": "gerader Wurf",
    "two_seam": "Läufer",
    "sinker": "Sinker",
    "cutter": "Schnittball",
    "slider": "Rutschball",
    "sweeper": "Fegeball",
    "curveball": "Bogenball",
    "changeup": "Bremsball",
    "splitter": "Gabelball",
}


def _comma(column: Column) -> Column:
    return lambda row: (column(row) or "").replace(".", ",")


def _clock_face(row: dict[str, Any]) -> Cell:
    """The direction in which the spin pushes, as the pitcher sees it, h:mm to the nearest 5 minutes."""
    if row["spin_axis_deg"] is None:
        return ""
    minutes = round(((row["spin_axis_deg"] - 180) % 360) / 30 * 12) * 5 % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d}"


def _spin_text(row: dict[str, Any]) -> Cell:
    spin = row["spin_rate_rpm"]
    return "" if spin is None else f"{spin:,.0f}".replace(",", ".")


def _active_text(row: dict[str, Any]) -> Cell:
    if row["spin_rate_rpm"] is None or row["spin_efficiency"] is None:
        return ""
    return f"{row['spin_rate_rpm'] * row['spin_efficiency']:,.0f}".replace(",", ".")


def unit_columns(with_clock: bool) -> dict[str, Column]:
    """Centimetres, decimal comma, sides as the pitcher sees them, release height from the top of the rubber (10 in above the ground)."""
    return {
        "Nr": word("native_id"),
        "Uhr": (lambda row: local(row["device_at"], "%H:%M")) if with_clock else (lambda _: ""),
        "Art": word("kind_word"),
        "Tempo_15m": _comma(number("speed_15m_mph", 1, MPH_TO_KMH)),
        "Drehzahl": _spin_text,
        "Wirksam": _active_text,
        "Richtung": _clock_face,
        "Steig_cm": _comma(number("induced_vertical_break_in", 1, IN_TO_CM)),
        "Seit_cm": _comma(number("horizontal_break_in", 1, -IN_TO_CM)),
        "Abwurf_hoch": _comma(number("release_height_ft", 1, 12 * IN_TO_CM, -10 * IN_TO_CM)),
        "Abwurf_seit": _comma(number("release_side_ft", 1, -12 * IN_TO_CM)),
        "Schritt": _comma(number("extension_ft", 1, 12 * IN_TO_CM)),
        "Ziel_hoch": _comma(number("plate_height_ft", 1, 12 * IN_TO_CM)),
        "Ziel_seit": _comma(number("plate_side_ft", 1, -12 * IN_TO_CM)),
    }


class UnitHead(NamedTuple):
    """The lines above the table of a pen unit's file."""

    day: str
    pitcher: str
    mound: str
    session: str
    made: str


def unit_file(rows: pl.DataFrame, name: str, head: UnitHead, with_clock: bool, encoding: str = "utf-8") -> Written:
    columns, records = unit_columns(with_clock), rows.to_dicts()
    preamble = ["Wurfprotokoll Mobilgerät 3", f"Datum: {head.day}", f"Werfer: {head.pitcher}", f"Hügel: {head.mound}"]
    preamble += [f"Sitzung: {head.session}", f"Ausgabe: {head.made}", ""]
    table = [";".join(columns), *(";".join(column(row) or "" for column in columns.values()) for row in records)]
    text = "\r\n".join([*preamble, *table, f"Ende; {len(records)} Würfe"]) + "\r\n"
    lines = tuple(line._replace(native_id=None) for line in _lines(records, len(preamble) + 2))
    return Written("pen_unit", name, text.encode(encoding), lines)


# ---- ball
def ball_file(rows: pl.DataFrame, name: str) -> Written:
    people, records = everybody(), rows.to_dicts()
    text = "".join(
        json.dumps(_ball_record(row, people), separators=(",", ":"), ensure_ascii=False) + "\n" for row in records
    )
    return Written("ball", name, text.encode(), _lines(records, 1))


def _ball_record(row: dict[str, Any], people: dict[str, Player]) -> dict[str, Any]:
    """Lean is the angle between spin axis and flight: 90 when all spin is active."""
    lean = None if row["spin_efficiency"] is None else round(float(np.degrees(np.arcsin(row["spin_efficiency"]))), 1)
    spin = None if row["spin_rate_rpm"] is None else round(row["spin_rate_rpm"])
    return {
        "ball": row["native_id"],
        "ms": int(row["device_at"] * 1000),
        "arm": {"name": row["label"], "tag": people[row["label_id"]].tag},
        "spot": row["spot"],
        "mps": round(row["release_speed_mph"] * MPH_TO_MPS, 2),
        "turns": {"per_min": spin, "lean": lean},
    }
