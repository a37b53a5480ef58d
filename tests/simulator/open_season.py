"""Simulate seasons of real pitches: public pitches in their published order, watched by two simulated trackers.

The throws, their order and the pitch types are real (see tests/test_open_pitches.py for the data, which are not part of this project);
their times, sessions and arms are not in the data and are invented. Spin was not published: the trackers share speed and both breaks.
"""

import tempfile
from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl

from tests.simulator.matching_season import Season
from tests.simulator.rough_season import FULL, Log, season_of_throws

_READINGS = (
    *("release_speed_mph", "induced_vertical_break_in", "horizontal_break_in", "release_height_ft", "release_side_ft"),
    *("plate_height_ft", "plate_side_ft"),
)
_SHARED = _READINGS[:3]
_SESSIONS = 14
# Rows of one name: the data name no pitcher.
_PITCHES_OF_ONE_NAME = 25
OPEN_WORLDS = (
    *("open, seconds", "open, minute stamps", "open, order only"),
    *("open, dropouts, minute stamps", "open, dropouts, order only"),
)


def simulate_open(name: str, seed: int) -> Season:
    """Simulate a season of a world in `OPEN_WORLDS`; the same seed gives the same season."""
    a = Log("radar", {m: FULL[m] for m in _READINGS}, offset_s=2.0)
    b = Log("camera", {m: FULL[m] for m in _SHARED}, offset_s=25.0)
    minute, order = replace(b, resolution_s=60.0), replace(b, resolution_s=None)
    logs = {
        "seconds": (a, b),
        "minute stamps": (a, minute),
        "order only": (a, order),
        "dropouts, minute stamps": (replace(a, missed=0.3), replace(minute, missed=0.3)),
        "dropouts, order only": (replace(a, missed=0.3), replace(order, missed=0.3)),
    }
    rng = np.random.default_rng((seed, 99))
    pitches = _pitches()
    starts = rng.permutation(np.arange(0, len(pitches) - 160, 150))[:_SESSIONS]
    sessions = [_session(rng, pitches, number, int(start)) for number, start in enumerate(starts)]
    return season_of_throws(rng, logs[name.removeprefix("open, ")], pl.concat(sessions).with_row_index("throw"))


@cache
def _pitches() -> pl.DataFrame:
    """Return the public pitches, mapped by this project, in their published order."""
    from tests.test_open_pitches import mapped

    parts = []
    for letter in "ab":
        with tempfile.TemporaryDirectory() as inbox:
            parts.append(mapped(letter, Path(inbox))[1].sightings.select(*_READINGS, "pitch_type", "pitcher_hand"))
    return pl.concat(parts).drop_nulls(_READINGS)


def _session(rng: np.random.Generator, pitches: pl.DataFrame, number: int, start: int) -> pl.DataFrame:
    rows = pitches[start : start + int(rng.integers(30, 150))]
    n = len(rows)
    gaps = rng.lognormal(2.9, 0.35, n) + 4 + (rng.random(n) < 0.1) * rng.exponential(60, n)
    return rows.rename({"pitch_type": "true_type"}).with_columns(
        pl.Series("true_s", 54_000 + np.cumsum(gaps)),
        pl.format("Arm{} Open{}", pl.int_range(n) // _PITCHES_OF_ONE_NAME, pl.lit(number)).alias("true_pitcher"),
        *(pl.lit(None, dtype=pl.Float64).alias(m) for m in ("spin_rate_rpm", "spin_axis_deg")),
        pl.lit(number).alias("session"),
        pl.lit(date(2026, 9, 7) + timedelta(days=2 * number)).alias("baseball_day"),
        pl.lit("field").alias("station"),
        pl.lit("game").alias("occasion"),
    )
