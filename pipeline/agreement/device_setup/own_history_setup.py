"""Rows of table `setup` of trackers against their own pitchers' earlier nights.

The turn and shift behind a moved release point.
"""

import math
from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.device_setup.misalignment import CROOKED_FROM, inches_at_rubber
from pipeline.agreement.device_setup.typical_flight import USUAL_EXTENSION_FT
from pipeline.agreement.drift.outings import OutingSpread, PitcherHistory, outing_spread
from pipeline.agreement.drift.own_history import Level, shift_between
from pipeline.agreement.drift.own_history_drift import WatchedOwnChart
from pipeline.agreement.wording import setup_sentence
from pipeline.physics.flight import FRONT_EDGE_FT, RUBBER_FT
from schemas.drift import OWN_HISTORY
from schemas.setup import SETUP

# The chart has shown that there is a change; its size must also differ from 0 by this many standard errors (two-sided 99 %).
_CLEAR_SE = 2.58
_NOTE = "all nights since the change; compares each pitcher with his own earlier nights, so it assumes that pitchers are steady"


class _Direction(NamedTuple):
    """What a turn moves (release and plate metric), and the resulting quantities.

    The quantities are those of table `setup`.
    """

    release: str
    plate: str
    turn: str
    shift: str


_DIRECTIONS = (
    _Direction("release_side_ft", "plate_side_ft", "aim_deg", "side_in"),
    _Direction("release_height_ft", "plate_height_ft", "tilt_deg", "height_in"),
)


def own_history_setup(
    watched: list[WatchedOwnChart], histories: Mapping[tuple[str, str], PitcherHistory]
) -> pl.DataFrame:
    """Return the rows of table `setup` for each night under alarm.

    Each is from all nights since the change.
    """
    rows = []
    for chart in watched:
        for direction in _DIRECTIONS:
            plate = histories.get((chart.chart.history.tracker, direction.plate))
            spread = outing_spread(histories, direction.plate)
            if chart.chart.history.metric == direction.release and plate is not None and spread is not None:
                rows += list(_rows_of_chart(chart, plate, spread, direction))
    return pl.DataFrame(rows, schema=SETUP.polars_schema(), orient="row")


def _rows_of_chart(
    watched: WatchedOwnChart, plate: PitcherHistory, plate_spread: OutingSpread, direction: _Direction
) -> Iterator[tuple[object, ...]]:
    history, spread = watched.chart
    last_night = {night.change.start: index for index, night in enumerate(watched.nights) if night.change}
    off = {day for start, last in last_night.items() for day in history.days[start : last + 1]}
    for start, last in last_night.items():
        before = {day for day in history.days[:start] if day not in off}
        for index in range(start, last + 1):
            after = set(history.days[start : index + 1])
            release = shift_between(history, spread, before, after)
            at_plate = shift_between(plate, plate_spread, before, after)
            if release.pitchers and at_plate.pitchers:
                nights = {
                    "tracker_b": history.tracker,
                    "baseball_day": history.days[index],
                    "n": int(history.pitches[start : index + 1].sum()),
                    "nights": index + 1 - start,
                }
                for quantity, value, se in _turn_and_shift(release, at_plate, direction):
                    yield _row(nights, quantity, value, se, plate_spread.df)


def _turn_and_shift(release: Level, plate: Level, direction: _Direction) -> Iterator[tuple[str, float, float]]:
    """Yield quantity, value and standard error of the turn and of the shift.

    The turn explains both movements; the shift is what remains at the plate's tip.
    """
    reach = RUBBER_FT - USUAL_EXTENSION_FT - FRONT_EDGE_FT
    turn, turn_se = (release.mean - plate.mean) / reach, math.hypot(release.se, plate.se) / reach
    at_tip = FRONT_EDGE_FT / reach
    shift = plate.mean - turn * FRONT_EDGE_FT
    shift_se = math.hypot((1 + at_tip) * plate.se, at_tip * release.se)
    yield direction.turn, math.degrees(turn), math.degrees(turn_se)
    yield direction.shift, 12 * shift, 12 * shift_se


def _row(nights: Mapping[str, object], quantity: str, value: float, se: float, df: float) -> tuple[object, ...]:
    from scipy.special import stdtrit

    half = float(stdtrit(df, 0.975)) * se
    crooked = abs(value) >= CROOKED_FROM[quantity] and abs(value) > _CLEAR_SE * se
    row = {
        "tracker_a": OWN_HISTORY,
        **nights,
        "quantity": quantity,
        "value": value,
        "low": value - half,
        "high": value + half,
        "se": se,
        "at_rubber_in": float(inches_at_rubber(np.asarray(value))) if quantity.endswith("_deg") else None,
        "crooked": crooked,
        "note": _NOTE,
    }
    row["sentence"] = setup_sentence(row, {}) if crooked else None
    return tuple(row[column] for column in SETUP.polars_schema())
