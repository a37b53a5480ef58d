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
RADAR_PITCH_TYPES = {
    "four_seam": "four-seam fastball",
    "two_seam": "two-seam fastball",
    "sinker": "sinker",
    "cutter": "cutter",
    "slider": "slider",
    "sweeper": "sweeper",
    "curveball": "curveball",
    "changeup": "changeup",
    "splitter": "splitter",
}
RADAR_PITCH_RESULTS: dict[str | None, str] = {
    "ball": "ball",
    "called_strike": "called strike",
    "swinging_strike": "swinging strike",
    "foul": "foul ball",
    "in_play": "ball in play",
    "hit_by_pitch": "hit batter",
}
RADAR_PLATE_APPEARANCE_RESULTS: dict[str | None, str] = {
    "single": "single",
    "double": "double",
    "triple": "triple",
    "home_run": "home run",
    "out": "out",
    "strikeout": "strikeout",
    "walk": "walk",
    "hit_by_pitch": "hit batter",
    "error": "error",
    "fielders_choice": "fielder's choice",
    "sacrifice": "sacrifice",
}
EVENTS: dict[str | None, str] = {"game": "game", "scrimmage": "scrimmage", "live_bp": "batting practice"}


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
    """Return the columns that the profile reads, by heading; `UNMAPPED` follow them in the file."""
    people = everybody()
    return {
        "event": word("occasion", EVENTS),
        "local date": lambda row: local(row["device_at"], "%m/%d/%Y"),
        "local time": lambda row: local(row["device_at"], "%H:%M:%S"),
        "entry number": word("native_id"),
        "entry type": word("shown", {"pitch": "pitch", "warm_up": "warm-up", "return": "throw back"}),
        "inning": number("inning", 0),
        "half": word("half"),
        "strikes before": number("strikes", 0),
        "balls before": number("balls", 0),
        "outs before": number("outs", 0),
        "fielding team": _person(people, "pitcher", lambda p: p.team),
        "batter number": _person(people, "batter", lambda p: p.number),
        "batter": _person(people, "batter", lambda p: name_as(p, "last_first")),
        "batter side": _person(people, "batter", lambda p: p.bats),
        "pitcher number": _radar_number(people),
        "pitcher": word("label"),
        "pitcher hand": word("pitcher_hand"),
        "release height (ft)": number("release_height_ft", 2),
        "release side toward first (ft)": number("release_side_ft", 2),
        "extension (ft)": number("extension_ft", 2),
        "release speed (mph)": number("release_speed_mph", 1),
        "spin (rpm)": number("spin_rate_rpm", 0),
        "active spin (%)": number("spin_efficiency", 0, 100),
        "spin push direction (deg)": _turned_reading("spin_axis_deg", 0, lambda a: a - 180),
        "flight time (ms)": number("flight_time_s", 0, 1000),
        "vertical movement (in)": number("vertical_same_time_in", 1),
        "arm-side movement (in)": _arm_side,
        "plate height (ft)": number("plate_height_ft", 2),
        "plate side toward third (ft)": number("plate_side_ft", 2, -1),
        "plate speed (mph)": number("plate_speed_mph", 1),
        "downward approach (deg)": number("vertical_approach_deg", 2, -1),
        "sideways approach toward first (deg)": number("horizontal_approach_deg", 2),
        "launch angle (deg)": number("launch_angle_deg", 1),
        "spray angle toward first (deg)": number("spray_angle_deg", 1),
        "exit velocity (mph)": number("exit_velocity_mph", 1),
        "carry (ft)": number("carry_distance_ft", 0),
        "pitch type": word("pitch_type_word"),
        "pitch result": word("pitch_result", RADAR_PITCH_RESULTS),
        "plate appearance result": word("plate_appearance_result", RADAR_PLATE_APPEARANCE_RESULTS),
    }


UNMAPPED = (
    *("device", "firmware", "lock quality", "gain", "clutter"),
    *("air temperature", "humidity", "wind strength", "wind heading", "air pressure"),
    *(f"echo {i:02d}" for i in range(1, 17)),
    *(f"antenna cell {i:02d}" for i in range(1, 25)),
    *(f"bounce {i}" for i in range(1, 9)),
    *("batted ball spin", "hang time", "catcher", "catch delay", "video clip", "note", "edited on", "edited by"),
    *(f"spare {i}" for i in range(1, 5)),
)


def _filler(rng: np.random.Generator, rows: int) -> list[list[str]]:
    """Return cells for the columns that no profile maps: a few short numbers, most of them blank."""
    digits = rng.integers(0, 10, (rows, len(UNMAPPED)))
    filled = rng.random(len(UNMAPPED)) < 0.3
    filled[:4] = True
    return [[str(d) if keep else "" for d, keep in zip(line, filled, strict=True)] for line in digits]


def radar_file(rows: pl.DataFrame, name: str) -> Written:
    columns = radar_columns()
    rng = stream(f"filler {name.replace('_v2', '_v1')}")
    records = rows.to_dicts()
    cells = [[_quoted(column(row) or "") for column in columns.values()] + filler
             for row, filler in zip(records, _filler(rng, len(records)), strict=True)]  # fmt: skip
    text = "\n".join([",".join([*columns, *UNMAPPED]), *(",".join(line) for line in cells)]) + "\n"
    return Written("stadium_radar", name, text.encode(), _lines(records, 2))


def _quoted(cell: str) -> str:
    return f'"{cell}"' if "," in cell else cell


def _lines(records: list[dict[str, Any]], first_row: int) -> tuple[Line, ...]:
    return tuple(
        Line(i, row["native_id"], row["key"], row["record"], row["label_fault"], row["value_fault"])
        for i, row in enumerate(records, first_row)
    )


# ---- camera array
CAMERA_PITCH_TYPES = {
    "four_seam": "four-seam",
    "two_seam": "two-seam",
    "sinker": "sinker",
    "cutter": "cutter",
    "slider": "slider",
    "sweeper": "sweeper",
    "curveball": "curveball",
    "changeup": "changeup",
    "splitter": "splitter",
}


def camera_columns() -> dict[str, Column]:
    """Return the columns by heading: meters and seconds at 15.5 m before the plate's front edge.

    Across is positive to the catcher's left, along is positive toward the plate.
    """
    people = everybody()
    axes = {"across": ("x", -1.0), "along": ("y", -1.0), "up": ("z", 1.0)}
    motion = {
        f"{quantity} {axis} ({unit})": number(f"{part}{letter}", 3, sign * FT_TO_M)
        for quantity, unit, part in (("position", "m", "p"), ("velocity", "m/s", "v"), ("acceleration", "m/s^2", "a"))
        for axis, (letter, sign) in axes.items()
        if (quantity, axis) != ("position", "along")
    }
    return {
        "recording": word("native_id"),
        "time (UTC)": lambda row: (
            datetime.fromtimestamp(row["device_at"], UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"
        ),
        "event": word("occasion", EVENTS),
        "pitcher": word("label"),
        "batter": _person(people, "batter", lambda p: name_as(p, "first_last")),
        "inning": number("inning", 0),
        "half": word("half"),
        "pitch type": lambda row: CAMERA_PITCH_TYPES[row["pitch_type"]],
        **motion,
        "extension (m)": number("extension_ft", 3, FT_TO_M),
        "spin (rev/s)": number("spin_rate_rpm", 2, 1 / 60),
        "spin direction (deg)": _turned_reading("spin_axis_deg", 1, lambda a: a + 90),
        "exit velocity (km/h)": number("exit_velocity_mph", 1, MPH_TO_KMH),
        "launch angle (deg)": number("launch_angle_deg", 1),
        "spray angle toward third (deg)": number("spray_angle_deg", 1, -1),
        "carry (m)": number("carry_distance_ft", 1, FT_TO_M),
        "quality": lambda row: "B" if row["spin_rate_rpm"] is None else "A",
    }


_TEXT_COLUMNS = {"recording", "time (UTC)", "event", "pitcher", "batter", "half", "pitch type", "quality"}


def camera_file(rows: pl.DataFrame, name: str) -> Written:
    columns, records = camera_columns(), rows.to_dicts()
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True}) as book:
        # without a fixed time of writing, every copy would be a different file
        book.set_properties({"created": datetime(2026, 11, 8), "title": "Camera array"})
        sheet = book.add_worksheet("Pitches")
        sheet.write_row(0, 0, ["Camera array, session log", f"{len(records)} recordings"])
        sheet.write_row(1, 0, ["Units: m, s, degrees; times in UTC"])
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
UNIT_PITCH_TYPES = {
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
        "Art": word("pitch_type_word"),
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
    """Return one record; the gyro angle lies between spin axis and flight, 90 when all spin is active."""
    gyro_angle = (
        None if row["spin_efficiency"] is None else round(float(np.degrees(np.arcsin(row["spin_efficiency"]))), 1)
    )
    spin = None if row["spin_rate_rpm"] is None else round(row["spin_rate_rpm"])
    return {
        "entry": row["native_id"],
        "thrown_at_ms": int(row["device_at"] * 1000),
        "pitcher": {"name": row["label"], "tag": people[row["label_id"]].tag},
        "mound": row["mound"],
        "speed_mps": round(row["release_speed_mph"] * MPH_TO_MPS, 2),
        "spin": {"rpm": spin, "gyro_angle_deg": gyro_angle},
    }
