"""The clocks table: how far each tracker's clock was off, by session."""

from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.matching.clocks.refine import robust_sd
from pipeline.matching.clocks.search import Clock
from pipeline.matching.data.arrays import Floats, Ints
from pipeline.matching.data.records import Records
from pipeline.matching.data.streams import COARSE_S, StreamPair
from pipeline.matching.pitches.final_fit import FinalFit
from pipeline.matching.pitches.form_pitches import Pitches
from pipeline.words import duration_words

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
# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# An offset within this many seconds of whole hours is a wrong hour plus an ordinary clock error.
_NEAR_HOUR_S = 400.0
# Clocks within this many seconds agree; common practice, no source.
AGREES_S = 2.0
# A clock that is set by hand or phone may be this many seconds off; common practice, no source.
ORDINARY_S = 30.0
# Drift in parts per million that a plain quartz stays under; common practice, no source.
ORDINARY_PPM = 60.0
# Seconds before the first and after the last record of a file in which the reference's records count as missed.
_BESIDE_FILE_S = 30
# Sessions shorter than this many seconds show no drift.
_MIN_DRIFT_S = 600
# Pairs that support one position on the path at most.
_MAX_ERROR_PAIRS = 21
# Standard error of a median against that of a mean (sqrt(pi / 2) for a normal).
_MEDIAN_ERROR = 1.25
# Standard deviation of a rounded stamp, in stamp widths (1 / sqrt(12)).
_ROUNDING_SD = 0.29
# Below this probability of one session the verdict says that it is doubtful.
_DOUBTFUL_SESSION = 0.9


class _ClockReading(NamedTuple):
    """A clock over one file: this tracker's minus the reference's, seconds."""

    start_s: float
    end_s: float
    drift_ppm: float
    steps: tuple[float, ...]
    residual_sd_s: float
    error_s: float


class _Merged(NamedTuple):
    """Merged pairs of one stream pair: positions in both streams, and probability."""

    i: Ints
    j: Ints
    probability: Floats


def clocks_frame(final: FinalFit, pitches: Pitches, rank: Ints) -> pl.DataFrame:
    """Return one row per file of a tracker and better-ranked tracker."""
    cells, pairs = final.fit.cells, pitches.pairs
    joined = np.flatnonzero(pitches.groups.joined & (pairs.cell >= 0))
    cell = pairs.cell[joined]
    order = np.argsort(cells.stream_pair[cell], kind="stable")
    joined, cell = joined[order], cell[order]
    cuts = np.searchsorted(cells.stream_pair[cell], np.arange(len(final.stream_pairs) + 1))
    rows = []
    for p in range(len(final.stream_pairs)):
        own = slice(cuts[p], cuts[p + 1])
        merged = _Merged(cells.i[cell[own]], cells.j[cell[own]], pairs.probability[joined[own]])
        rows += _stream_pair_rows(final, p, merged, rank)
    frame = pl.LazyFrame(rows, schema=CLOCKS)
    file = ("tracker", "reference_tracker", "file_id", "venue", "station", "baseball_day")
    likeliest = pl.col("same_session_probability") == pl.col("same_session_probability").max().over(file)
    is_shown = (pl.col("matched") > 0) | ((pl.col("matched").max().over(file) == 0) & likeliest)
    sort_columns = ("baseball_day", "venue", "station", "tracker", "reference_tracker", "file_id", "matched")
    return frame.filter(is_shown).sort(sort_columns).collect()


def _stream_pair_rows(final: FinalFit, p: int, merged: _Merged, rank: Ints) -> list[dict[str, object]]:
    """Return the rows of one stream pair, one per file of the tracker of worse rank."""
    records, streams, clock = final.records, final.stream_pairs[p], final.regions[p].clock
    swap = bool(rank[streams.trackers[0]] > rank[streams.trackers[1]])
    this, other = (streams.first, streams.second) if swap else (streams.second, streams.first)
    position, partner = (merged.i, merged.j) if swap else (merged.j, merged.i)
    reference, same_session = records.trackers[other.tracker], float(final.fit.same_session[p])
    resolution_s = None if np.isnan(this.resolution_s) else this.resolution_s
    rows = list[dict[str, object]]()
    for file in np.unique(records.file[this.rows]).tolist():
        members = this.rows[records.file[this.rows] == file]
        own = np.flatnonzero(records.file[this.rows[position]] == file)
        own = own[np.argsort(position[own], kind="stable")]
        reading = None
        if clock is not None:
            on_path = merged.j[own]
            path = clock.offset_s[on_path] * (-1 if swap else 1)
            stamps = this.seen_s[position[own]], other.seen_s[partner[own]]
            reading = _clock_reading(streams, clock, stamps, path, clock.segment[on_path])
        covered = _covered(records, other.rows, reading, records.seen_s[members])
        identity = records.frame.select("venue", "station", "baseball_day", "tracker", "file_id", "native_session")
        rows.append(
            {
                **identity.row(int(members[0]), named=True),
                "reference_tracker": reference,
                **_reading_columns(reading),
                "resolution_s": resolution_s,
                "matched": len(own),
                "only_this": len(members) - len(own),
                "only_reference": max(covered - len(own), 0),
                "same_session_probability": round(same_session, 6),
                "expected_wrong_merges": round(float((1 - merged.probability[own]).sum()), 4),
                "hour_slip": reading is not None and _hours(reading.start_s) != 0,
                "verdict": _verdict(reference, reading, len(own), same_session, resolution_s),
            }
        )
    return rows


def _covered(records: Records, other_rows: Ints, reading: _ClockReading | None, seen_s: Floats) -> int:
    """Count the reference's records while this file was written.

    Without clocks: all of them.
    """
    if reading is None or np.isnan(seen_s).all():
        return len(other_rows)
    other_s = records.seen_s[other_rows]
    low = np.nanmin(seen_s) - reading.start_s - _BESIDE_FILE_S
    high = np.nanmax(seen_s) - reading.end_s + _BESIDE_FILE_S
    return int(((other_s >= low) & (other_s <= high)).sum())


def _clock_reading(
    streams: StreamPair, clock: Clock, seen_s: tuple[Floats, Floats], path: Floats, segment: Ints
) -> _ClockReading | None:
    """Describe the clock over the matched pitches of one file.

    `seen_s`: both trackers' stamps of each pitch. `path`, `segment`: the clock path there.
    """
    if not len(path):
        return None
    residual = seen_s[0] - seen_s[1] - path
    residual = residual[~np.isnan(residual)]
    spread = max(robust_sd(residual) if len(residual) > 2 else clock.sigma_s, 1e-4)
    sizes = tuple(float(d) for d in np.diff(path)[np.diff(segment) != 0])
    width = _ROUNDING_SD * streams.resolution_s if streams.is_coarse else 0.0
    error = _MEDIAN_ERROR * max(spread, width) / np.sqrt(max(min(len(residual), _MAX_ERROR_PAIRS), 1))
    drift = _drift_ppm(seen_s[0], path, segment)
    return _ClockReading(float(path[0]), float(path[-1]), drift, sizes, spread, float(error))


def _drift_ppm(seen_s: Floats, path: Floats, segment: Ints) -> float:
    """Return the slope of the path in parts per million; nan for short sessions.

    It is fitted inside the step-free segments.
    """
    known = ~np.isnan(seen_s)
    x, y, stretch = seen_s[known], path[known], segment[known]
    if not len(x):
        return float("nan")
    size = np.maximum(np.bincount(stretch), 1)
    x, y = (values - (np.bincount(stretch, values) / size)[stretch] for values in (x, y))
    return float(1e6 * (x * y).sum() / (x**2).sum()) if np.ptp(x) >= _MIN_DRIFT_S else float("nan")


def _reading_columns(reading: _ClockReading | None) -> dict[str, object]:
    """Return the columns that describe the clock; without one, only that it has no steps."""
    if reading is None:
        return {"steps": 0}
    return {
        "offset_start_s": round(reading.start_s, 3),
        "offset_end_s": round(reading.end_s, 3),
        "drift_ppm": None if np.isnan(reading.drift_ppm) else round(reading.drift_ppm, 1),
        "steps": len(reading.steps),
        "step_sizes_s": ", ".join(f"{s:+.1f}" for s in reading.steps) or None,
        "residual_sd_s": round(reading.residual_sd_s, 3),
        "offset_error_s": round(reading.error_s, 3),
    }


def _hours(offset_s: float) -> int:
    """Return the whole hours of an offset that is near them; else 0."""
    hours = round(offset_s / 3600)
    return hours if hours and abs(offset_s - 3600 * hours) < _NEAR_HOUR_S else 0


def _verdict(
    reference: str, reading: _ClockReading | None, matched: int, same_session: float, resolution_s: float | None
) -> str:
    """Say in words what the figures mean."""
    if matched == 0:
        return f"no pitch in common with {reference}: not the same session, or one of the two missed it"
    doubt = "" if same_session >= _DOUBTFUL_SESSION else "; doubtful whether this is the same session at all"
    if reading is None:
        return f"no common clock with {reference}: matched by order and readings" + doubt
    return "; ".join([_offset_words(reference, reading, resolution_s), *_movement_words(reading)]) + doubt


def _offset_words(reference: str, reading: _ClockReading, resolution_s: float | None) -> str:
    size = abs(reading.start_s)
    about = "about " if resolution_s and resolution_s > COARSE_S else ""
    if size <= max(AGREES_S, (resolution_s or 0.0) / 2):
        return f"agrees with {reference}"
    words = f"{about}{duration_words(size)} {'ahead of' if reading.start_s > 0 else 'behind'} {reference}"
    hours = _hours(reading.start_s)
    if abs(hours) == 1:
        return words + ": looks like the daylight-saving hour"
    if hours:
        return words + f": looks like a wrong time zone ({abs(hours)} hours)"
    return words + (": set the clock" if size > ORDINARY_S else "")


def _movement_words(reading: _ClockReading) -> list[str]:
    words = []
    if not np.isnan(reading.drift_ppm) and abs(reading.drift_ppm) > ORDINARY_PPM:
        words.append(
            f"runs {'fast' if reading.drift_ppm > 0 else 'slow'} by {abs(reading.drift_ppm) * 3.6e-3:.1f} s an hour"
        )
    if reading.steps:
        times = "once" if len(reading.steps) == 1 else f"{len(reading.steps)} times"
        words.append(f"was set {times} during the session ({', '.join(f'{s:+.1f} s' for s in reading.steps)})")
    return words
