"""The clocks table: how far each tracker's clock was off, session by session, in figures and in words."""

from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.matching.alignment.align_round import Fit, Place
from pipeline.matching.clocks.search import COARSE_S, Clock, robust_sd
from pipeline.matching.data.arrays import Floats, Ints
from pipeline.matching.data.records import Records, Unit
from pipeline.matching.pitches.grouping import Groups
from pipeline.matching.pitches.pairs import Pairs

CLOCKS = {
    **dict.fromkeys(("venue", "station"), pl.String),
    "baseball_day": pl.Date,
    **dict.fromkeys(("tracker", "reference_tracker", "file_id", "native_session"), pl.String),
    **dict.fromkeys(("offset_start_s", "offset_end_s", "drift_ppm"), pl.Float64),
    "steps": pl.UInt32,
    "step_sizes_s": pl.String,
    **dict.fromkeys(("residual_sd_s", "offset_error_s", "resolution_s"), pl.Float64),
    **dict.fromkeys(("matched", "only_this", "only_reference"), pl.UInt32),
    **dict.fromkeys(("same_session_probability", "expected_wrong_merges"), pl.Float64),
    "hour_slip": pl.Boolean,
    "verdict": pl.String,
}
# an offset this near to whole hours is an hour set wrong plus an ordinary clock error (method page, section 2)
_NEAR_HOUR_S = 400.0
# what a clock that is set by hand or by phone may be off, and drift that a plain quartz keeps under; common practice, no source
AGREES_S, ORDINARY_S, ORDINARY_PPM = 2.0, 30.0, 60.0


class _Reading(NamedTuple):
    """A clock over one file: this tracker's minus the reference's, seconds."""

    start_s: float
    end_s: float
    drift_ppm: float
    steps: tuple[float, ...]
    residual_sd_s: float
    error_s: float


def clocks_frame(
    records: Records, units: list[Unit], fit: Fit, places: list[Place], pairs: Pairs, groups: Groups, rank: Ints
) -> pl.DataFrame:
    """One row per file of a tracker and better-ranked tracker on its station-day."""
    joined = np.flatnonzero(groups.joined & (pairs.cell >= 0))
    of_pair = fit.cells.unit[pairs.cell[joined]]
    by_unit = np.argsort(of_pair, kind="stable")
    cuts = np.searchsorted(of_pair[by_unit], np.arange(1, len(units)))
    rows = [
        row
        for u, (unit, mine) in enumerate(zip(units, np.split(joined[by_unit], cuts) if units else [], strict=True))
        for row in _unit_rows(records, u, unit, fit, places[u].clock, pairs, mine, rank)
    ]
    frame = pl.LazyFrame(rows, schema=CLOCKS, orient="row")
    file = ("tracker", "reference_tracker", "file_id", "venue", "station", "baseball_day")
    likeliest = pl.col("same_session_probability") == pl.col("same_session_probability").max().over(file)
    telling = (pl.col("matched") > 0) | ((pl.col("matched").max().over(file) == 0) & likeliest)
    order = ("baseball_day", "venue", "station", "tracker", "reference_tracker", "file_id", "matched")
    return frame.filter(telling).sort(order).collect()


def _unit_rows(
    records: Records,
    u: int,
    unit: Unit,
    fit: Fit,
    clock: Clock | None,
    pairs: Pairs,
    mine: Ints,
    rank: Ints,
) -> list[tuple[object, ...]]:
    """The rows of one unit; `mine`: those of the pairs that it has brought together."""
    swap = bool(rank[unit.trackers[0]] > rank[unit.trackers[1]])
    this, other = (unit.first, unit.second) if swap else (unit.second, unit.first)
    cell = pairs.cell[mine]
    at, partner = (fit.cells.i[cell], fit.cells.j[cell]) if swap else (fit.cells.j[cell], fit.cells.i[cell])
    out = []
    for file in np.unique(records.file[this.rows]).tolist():
        members = np.flatnonzero(records.file[this.rows] == file)
        ours = np.flatnonzero(records.file[this.rows[at]] == file)
        ours = ours[np.argsort(at[ours], kind="stable")]
        path = None if clock is None else clock.offset_s[partner[ours] if swap else at[ours]] * (-1 if swap else 1)
        segment = None if clock is None else clock.segment[partner[ours] if swap else at[ours]]
        reading = _reading(unit, clock, (this.seen_s[at[ours]], other.seen_s[partner[ours]]), path, segment)
        window = _covered(records, other.rows, reading, records.seen_s[this.rows[members]])
        counts = (len(ours), len(members) - len(ours), max(window - len(ours), 0))
        wrong = float((1 - pairs.probability[mine][ours]).sum())
        same_session = float(fit.same_session[u])
        out.append(_row(records, this.rows[members[0]], unit, reading, counts, same_session, wrong, this.resolution_s))
    return out


def _covered(records: Records, other_rows: Ints, reading: _Reading | None, seen_s: Floats) -> int:
    """Records of the reference while this file was being written (all of them without clocks)."""
    if reading is None or np.isnan(seen_s).all():
        return len(other_rows)
    at = records.seen_s[other_rows]
    low, high = np.nanmin(seen_s) - reading.start_s - 30, np.nanmax(seen_s) - reading.end_s + 30
    return int(((at >= low) & (at <= high)).sum())


def _reading(
    unit: Unit, clock: Clock | None, seen_s: tuple[Floats, Floats], path: Floats | None, segment: Ints | None
) -> _Reading | None:
    """The clock over the matched pitches of one file: `path` is its offset at each, `seen_s` both trackers' stamps of each."""
    if clock is None or path is None or segment is None or not len(path):
        return None
    residual = seen_s[0] - seen_s[1] - path
    residual = residual[~np.isnan(residual)]
    spread = max(robust_sd(residual) if len(residual) > 2 else clock.sigma_s, 1e-4)
    sizes = tuple(float(d) for d in np.diff(path)[np.diff(segment) != 0])
    # 1.25: a median's error against a mean's; at most 21 pairs speak for a place on the path
    width = 0.29 * unit.resolution_s if unit.resolution_s > COARSE_S else 0.0
    error = 1.25 * max(spread, width) / np.sqrt(max(min(len(residual), 21), 1))
    return _Reading(float(path[0]), float(path[-1]), _drift_ppm(seen_s[0], path, segment), sizes, spread, float(error))


def _drift_ppm(seen_s: Floats, path: Floats, segment: Ints) -> float:
    """Slope of the path inside its step-free stretches, parts per million; nan under ten minutes, where it means nothing."""
    known = ~np.isnan(seen_s)
    x, y, stretch = seen_s[known], path[known], segment[known]
    if not len(x):
        return float("nan")
    size = np.maximum(np.bincount(stretch), 1)
    x, y = (values - (np.bincount(stretch, values) / size)[stretch] for values in (x, y))
    return float(1e6 * (x * y).sum() / (x**2).sum()) if np.ptp(x) >= 600 else float("nan")


def _row(
    records: Records,
    row: int,
    unit: Unit,
    reading: _Reading | None,
    counts: tuple[int, int, int],
    same_session: float,
    wrong: float,
    resolution_s: float,
) -> tuple[object, ...]:
    tracker, venue, station, day, file_id, session = records.frame.row(int(row))[1:7]
    reference = next(records.trackers[t] for t in unit.trackers if records.trackers[t] != tracker)
    figures: tuple[object, ...] = (None,) * 3 + (0, None, None, None)
    if reading is not None:
        steps = ", ".join(f"{s:+.1f}" for s in reading.steps) or None
        drift = None if np.isnan(reading.drift_ppm) else round(reading.drift_ppm, 1)
        figures = (
            *(round(reading.start_s, 3), round(reading.end_s, 3), drift, len(reading.steps), steps),
            *(round(reading.residual_sd_s, 3), round(reading.error_s, 3)),
        )
    slip = reading is not None and counts[0] > 0 and _hours(reading.start_s) != 0
    identity = (venue, station, day, tracker, reference, file_id, session)
    resolution = None if np.isnan(resolution_s) else resolution_s
    verdict = _verdict(reference, reading, counts[0], same_session, resolution)
    return (*identity, *figures, resolution, *counts, round(same_session, 6), round(wrong, 4), slip, verdict)


def _hours(offset_s: float) -> int:
    hours = round(offset_s / 3600)
    return hours if hours and abs(offset_s - 3600 * hours) < _NEAR_HOUR_S else 0


def _verdict(
    reference: str, reading: _Reading | None, matched: int, same_session: float, resolution_s: float | None
) -> str:
    """What the director reads."""
    if matched == 0:
        return f"no pitch in common with {reference}: not the same session, or one of the two missed it"
    doubt = "" if same_session >= 0.9 else "; doubtful whether this is the same session at all"
    if reading is None:
        return f"no common clock with {reference}: matched by order and readings" + doubt
    return "; ".join([_offset_words(reference, reading, resolution_s), *_movement_words(reading)]) + doubt


def _offset_words(reference: str, reading: _Reading, resolution_s: float | None) -> str:
    size = abs(reading.start_s)
    about = "about " if resolution_s and resolution_s > COARSE_S else ""
    if size <= max(AGREES_S, (resolution_s or 0.0) / 2):
        return f"agrees with {reference}"
    words = f"{about}{duration(size)} {'ahead of' if reading.start_s > 0 else 'behind'} {reference}"
    hours = _hours(reading.start_s)
    if abs(hours) == 1:
        return words + ": looks like the daylight-saving hour"
    if hours:
        return words + f": looks like a wrong time zone ({abs(hours)} hours)"
    return words + (": set the clock" if size > ORDINARY_S else "")


def _movement_words(reading: _Reading) -> list[str]:
    words = []
    if not np.isnan(reading.drift_ppm) and abs(reading.drift_ppm) > ORDINARY_PPM:
        words.append(
            f"runs {'fast' if reading.drift_ppm > 0 else 'slow'} by {abs(reading.drift_ppm) * 3.6e-3:.1f} s an hour"
        )
    if reading.steps:
        times = "once" if len(reading.steps) == 1 else f"{len(reading.steps)} times"
        words.append(f"was set {times} during the session ({', '.join(f'{s:+.1f} s' for s in reading.steps)})")
    return words


def duration(seconds: float) -> str:
    """61 min 3 s."""
    if seconds < 60:
        return f"{seconds:.1f} s" if seconds < 10 else f"{seconds:.0f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"
