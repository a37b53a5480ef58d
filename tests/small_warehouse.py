"""A warehouse small enough to count by hand: four days, eleven pitches, three trackers, invented people."""

from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple

import polars as pl

from schemas.contract import conform
from schemas.metrics import METRICS
from schemas.tables import TABLES

SUN, TUE, WED, THU = (date(2026, 3, day) for day in (1, 3, 4, 5))
RANKS = ("radar", "array", "unit")


class Thrown(NamedTuple):
    """One pitch: the readings of each tracker. The preferred value is that of the first tracker that has one."""

    number: int
    day: date
    occasion: str
    pitcher: str | None
    label: str | None
    pitch_type: str | None
    inning: int | None
    readings: dict[str, dict[str, float]]
    doubtful: bool = False
    other_type: str | None = None
    call: str | None = None


def _speed(**readings: float) -> dict[str, dict[str, float]]:
    return {tracker: {"release_speed_mph": speed} for tracker, speed in readings.items()}


def _released(speed: float, height: float, side: float, ivb: float, hb: float, axis: float) -> dict[str, float]:
    return {
        "release_speed_mph": speed, "release_height_ft": height, "release_side_ft": side, "extension_ft": 6.0,
        "induced_vertical_break_in": ivb, "horizontal_break_in": hb, "spin_axis_deg": axis, "spin_rate_rpm": 2200.0,
    }  # fmt: skip


_HIT = {"release_speed_mph": 78.0, "exit_velocity_mph": 95.0, "launch_angle_deg": 20.0}
_SOFT = {"release_speed_mph": 80.0, "exit_velocity_mph": 94.9, "launch_angle_deg": 10.0}
_FIRST = {"radar": _released(94, 6.0, -2.0, 16, -8, 350), "array": {"release_speed_mph": 94.5, "spin_axis_deg": 352.0}}
_SECOND = {"radar": _released(96, 6.2, -2.2, 18, -10, 10), "array": {"release_speed_mph": 96.5}}

THROWN = (
    Thrown(1, SUN, "game", "ace", "Finch, Alder", "four_seam", 1, _FIRST),
    Thrown(2, SUN, "game", "ace", "Finch, Alder", "four_seam", 1, _SECOND),
    Thrown(3, SUN, "game", "ace", "Finch, Alder", "four_seam", 2, _speed(radar=93), doubtful=True),
    Thrown(4, SUN, "game", "ace", "Finch, Alder", "four_seam", 2, _speed(array=92.5), doubtful=True),
    Thrown(
        5,
        SUN,
        "game",
        "ace",
        "Finch, Alder",
        "curveball",
        2,
        {"radar": _HIT, **_speed(array=79)},
        other_type="slider",
        call="in_play",
    ),
    Thrown(6, SUN, "game", "x-guests-bo", "Bo", "changeup", 1, {"radar": _SOFT}, call="in_play"),
    Thrown(7, TUE, "bullpen", "ace", "Finch", "four_seam", None, _speed(unit=95)),
    Thrown(8, WED, "bullpen", "ace", "Finch", "four_seam", None, _speed(unit=94)),
    Thrown(9, WED, "bullpen", None, "A. Finsh", "four_seam", None, _speed(unit=90)),
    Thrown(10, WED, "bullpen", None, None, None, None, _speed(unit=70)),
    Thrown(11, THU, "game", "ace", "Finch, Alder", "four_seam", 1, _speed(radar=91)),
)


def small_tables() -> dict[str, pl.DataFrame]:
    """Return every table that has rows in the small warehouse, as a run passes them to `publish`."""
    sightings = _frame("sightings", [line for thrown in THROWN for line in _sightings(thrown)])
    tables = {
        "sightings": sightings,
        "pitches": _frame("pitches", [_pitch(thrown) for thrown in THROWN]),
        "pitch_values": _frame("pitch_values", [line for thrown in THROWN for line in _values(thrown)]),
        "pitch_aliases": _frame("pitch_aliases", [line for thrown in THROWN for line in _aliases(thrown)]),
        **_others(sightings),
    }
    tables["sessions"] = _sessions(tables["pitches"])
    tables["outings"] = _outings(tables["pitches"])
    return tables


def sighting_id(number: int, tracker: str) -> str:
    """Return the invented id of a tracker's sighting of a pitch."""
    return f"s{number:014d}{RANKS.index(tracker):02d}"


def pitch_id(number: int) -> str:
    """Return the invented id of a pitch, from its best tracker's sighting."""
    return "p" + sighting_id(number, next(iter(THROWN[number - 1].readings)))[1:]


def _frame(table: str, rows: list[dict[str, object]]) -> pl.DataFrame:
    contract = TABLES[table]
    known = {name: dtype for name, dtype in contract.polars_schema().items() if rows and name in rows[0]}
    return conform(pl.DataFrame(rows, schema=known), contract) if rows else contract.empty()


def _where(thrown: Thrown) -> dict[str, object]:
    station = "pen_1" if thrown.occasion == "bullpen" else "field"
    thrown_at = datetime(thrown.day.year, thrown.day.month, thrown.day.day, 20, tzinfo=UTC) + timedelta(
        seconds=20 * thrown.number
    )
    return {
        "venue": "fen_park", "station": station, "occasion": thrown.occasion, "baseball_day": thrown.day, "thrown_at": thrown_at,
        "pitcher_label": thrown.label, "pitcher_id": thrown.pitcher, "inning": thrown.inning, "pitch_type": thrown.pitch_type,
        "pitch_result": thrown.call,
    }  # fmt: skip


def _sightings(thrown: Thrown) -> list[dict[str, object]]:
    nothing = dict.fromkeys(METRICS)
    return [
        {
            **_where(thrown), **nothing, **readings, "sighting_id": sighting_id(thrown.number, tracker), "pitch_id": pitch_id(thrown.number),
            "match_probability": 0.6 if thrown.doubtful else 0.99, "matched_by": "model", "tracker": tracker,
            "file_id": f"{tracker}-file", "file_row": thrown.number, "file_order": thrown.number, "station_by": "ledger",
            "pitch_type": (thrown.other_type if tracker == "array" else None) or thrown.pitch_type,
        }
        for tracker, readings in thrown.readings.items()
    ]  # fmt: skip


def _session(thrown: Thrown) -> str:
    return f"{thrown.day}-fen_park-{'pen_1' if thrown.occasion == 'bullpen' else 'field'}-{thrown.occasion}-1"


def _preferred(thrown: Thrown) -> dict[str, tuple[str, float]]:
    found = [
        (metric, tracker, value) for tracker, readings in thrown.readings.items() for metric, value in readings.items()
    ]
    return {metric: (tracker, value) for metric, tracker, value in reversed(found)}


def _pitch(thrown: Thrown) -> dict[str, object]:
    values: dict[str, object] = dict.fromkeys(METRICS)
    values |= {metric: value for metric, (_, value) in _preferred(thrown).items()}
    outing = f"{_session(thrown)}/{thrown.pitcher or thrown.label}" if thrown.label else None
    return {
        **_where(thrown), **values, "pitch_id": pitch_id(thrown.number), "session_id": _session(thrown), "outing_id": outing,
        "season": thrown.day.year, "month": thrown.day.month, "pitch_number": thrown.number, "thrown_at_by": next(iter(thrown.readings)),
        "seen_by": len(thrown.readings), "trackers": ",".join(thrown.readings), "match_probability": 0.6 if thrown.doubtful else 0.99,
        "doubtful": thrown.doubtful, "label_conflict": thrown.other_type is not None, "pitcher_conflict": False,
    }  # fmt: skip


def _values(thrown: Thrown) -> list[dict[str, object]]:
    def line(metric: str, tracker: str, value: float) -> dict[str, object]:
        all_read = [readings[metric] for readings in thrown.readings.values() if metric in readings]
        return {
            "pitch_id": pitch_id(thrown.number), "baseball_day": thrown.day, "metric": metric, "value": value, "policy": "prefer",
            "trackers": tracker, "seen_by": len(all_read), "lowest": min(all_read), "highest": max(all_read), "spread": max(all_read) - min(all_read),
        }  # fmt: skip

    return [line(metric, tracker, value) for metric, (tracker, value) in _preferred(thrown).items()]


def _aliases(thrown: Thrown) -> list[dict[str, object]]:
    later = list(thrown.readings)[1:]
    return [
        {
            "old_pitch_id": "p" + sighting_id(thrown.number, tracker)[1:],
            "pitch_id": pitch_id(thrown.number),
            "baseball_day": thrown.day,
        }
        for tracker in later
    ]


def _sessions(pitches: pl.DataFrame) -> pl.DataFrame:
    by = ("session_id", "venue", "station", "occasion", "baseball_day", "season")
    sessions = pitches.group_by(by).agg(
        pitches=pl.len(), pitchers=pl.col("pitcher_label").n_unique(), trackers=pl.lit("radar,array")
    )
    return conform(sessions, TABLES["sessions"])


def _outings(pitches: pl.DataFrame) -> pl.DataFrame:
    by = ("outing_id", "session_id", "baseball_day", "pitcher_id")
    outings = pitches.drop_nulls("outing_id").group_by(by).agg(pl.col("pitcher_label").first(), pitches=pl.len())
    return conform(outings, TABLES["outings"])


def _file(
    tracker: str, sightings: int, day: date, repeats: int = 0, no_pitch: int = 0, quarantined: int = 0
) -> dict[str, object]:
    return {
        "file_id": f"{tracker}-file", "tracker": tracker, "file_name": f"{tracker}.csv", "sha256": "0" * 64, "bytes": 1, "status": "read",
        "rows": sightings + repeats + no_pitch + quarantined, "sightings": sightings, "repeats": repeats, "no_pitch": no_pitch,
        "quarantined": quarantined, "baseball_day_last": day,
    }  # fmt: skip


def _others(sightings: pl.DataFrame) -> dict[str, pl.DataFrame]:
    seen = dict(sightings.group_by("tracker").len().iter_rows())
    aside = {"tracker": "radar", "file_id": "radar-file", "stage": "export"}
    refused = {
        "level": "row",
        "tracker": "radar",
        "file_id": "radar-file",
        "file_name": "radar.csv",
        "file_row": 32,
        "column": "Tempo",
    }
    pair = {
        "sighting_a": sighting_id(3, "radar"),
        "sighting_b": sighting_id(4, "array"),
        "tracker_a": "radar",
        "tracker_b": "array",
    }
    person = {"name": "Alder Finch", "hand": "right", "team": "home", "on_roster": True, "provisional": False}
    guest = {
        "player_id": "x-guests-bo",
        "name": "Bo",
        "hand": "left",
        "team": "guests",
        "on_roster": False,
        "provisional": True,
    }
    name = {
        "tracker": "unit",
        "label": "A. Finsh",
        "how": "proposed",
        "score": 88.0,
        "proposal": "ace",
        "rows": 1,
        "needs_person": True,
    }
    return {
        "files": _frame(
            "files",
            [
                _file("radar", seen["radar"], THU, 1, 1, 1),
                _file("array", seen["array"], SUN),
                _file("unit", seen["unit"], WED),
            ],
        ),
        "set_aside": _frame(
            "set_aside", [{**aside, "kind": "repeat", "file_row": 30}, {**aside, "kind": "no_pitch", "file_row": 31}]
        ),
        "quarantine": _frame(
            "quarantine",
            [
                {**refused, "value": "941", "reason": "release speed 941 mph is above 110", "fix": "correct the row"},
                {**refused, "value": "=1+1", "reason": "not a number", "fix": "-"},
                {
                    **refused,
                    "level": "value",
                    "file_row": 2,
                    "value": "-5.5",
                    "reason": "spin -5.5 rpm is below 100",
                    "fix": "@home",
                },
            ],
        ),
        "players": _frame("players", [{"player_id": "ace", **person}, guest]),
        "name_matches": _frame("name_matches", [name]),
        "match_pairs": _frame(
            "match_pairs",
            [
                {
                    **pair,
                    "venue": "fen_park",
                    "station": "field",
                    "baseball_day": SUN,
                    "probability": 0.4,
                    "merged": False,
                    "decided_by": "model",
                    "time_gap_s": 1.5,
                }
            ],
        ),
        "settings": _frame(
            "settings",
            [
                {"setting": s, "value": v}
                for s, v in (("gap_share", 0.8), ("doubtful_below", 0.9), ("merge_above", 0.5))
            ],
        ),
    }
