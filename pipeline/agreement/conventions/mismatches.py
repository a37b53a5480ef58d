"""Table `convention_mismatches`: metrics that two trackers read by different conventions.

`conventions_by_night` keeps, of each night on which two trackers differ by far, the simple mistake that explains it best.
`mismatch_table` joins consecutive nights with the same mistake and accepts it if it explains the difference far better than a bias does.
It needs no earlier night: 10 pitches can be enough.
"""

import math
from collections.abc import Iterator
from datetime import date
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.conventions.explanations import SAME, Explanation, explanations
from pipeline.agreement.device_setup.typical_flight import USUAL_FLIGHT_S, usual_flight_s
from pipeline.agreement.facts.circular import FAR, on_branch
from pipeline.agreement.facts.moments import segment, segment_sum
from pipeline.agreement.facts.readings import Pair, metrics_in, sort_by_rank
from pipeline.agreement.facts.standards import Standards
from pipeline.agreement.wording import mismatch_sentence, unlike_from
from pipeline.physics.flight import G_FPS2
from schemas.agreement import CONVENTION_MISMATCHES
from schemas.metrics import METRICS

# Nights with fewer common readings say nothing by themselves (common practice, no source).
LEAST_PITCHES_A_NIGHT = 5
# A mismatch needs this many common readings over its nights (common practice, no source).
LEAST_PITCHES = 10
# A night is looked at where the mean distance of the readings is beyond this many tolerances (our choice, no source).
_FAR_TOLERANCES = 1.0
# The difference that remains, bias and spread together, must be at most this share of the difference as read (our choice, no source) ...
_MOST_REMAINING = 1 / 3
# ... and at most this share of a's readings: a ratio that makes b vanish explains nothing (our choice, no source).
_MOST_OF_READINGS = 1 / 2
# An honest bias could look like a mistake if a's readings hardly vary. So the spread must shrink by this many standard errors (about 1 in 1,000) ...
_SURE_SE = 3.0
# ... of the logarithm of the ratio of two spreads, times sqrt(n): for normal readings sqrt(2 x 0.79), from the variance of quantiles.
_SE_LOG_RATIO = 1.257
# Where the bias itself is beyond belief (wording.unlike_from), the spread must only not grow by more than this factor (our choice, no source).
_MOST_GROWTH = 1.25
# Smallest spread in tolerances: keeps the ratio finite where readings are equal.
_LEAST_SPREAD = 1e-3
# Distance of the 10 % and 90 % quantiles, in SDs of a normal distribution. Up to a tenth of misreadings on either side have no effect.
_QUANTILES = (0.1, 0.5, 0.9)
_QUANTILE_DISTANCE = 2.5631

_KEY = {"baseball_day": pl.Date, "tracker_a": pl.String, "tracker_b": pl.String}
_FACTS = {
    **_KEY,
    "metric": pl.String,
    "explanation": pl.Int64,
    "n": pl.Int64,
    "center": pl.Float64,
    "spread": pl.Float64,
    "center_left": pl.Float64,
    "spread_left": pl.Float64,
}


_PAIR_AND_METRIC = ("tracker_a", "tracker_b", "metric")


class _Center(NamedTuple):
    """Median and robust SD of residuals, one per explanation."""

    center: np.ndarray
    spread: np.ndarray

    @property
    def size(self) -> np.ndarray:
        """Bias and spread together."""
        return np.asarray(np.hypot(self.center, self.spread))


def conventions_by_night(pair: Pair, tolerances: dict[str, float]) -> pl.DataFrame:
    """Return one row per night and metric that a simple mistake may explain.

    `explanation` is the index in `explanations(metric)` of the one that leaves least; `center` and `spread` of the differences as read,
    `center_left` and `spread_left` with the mistake undone. Nights whose readings agree, or that no mistake explains, have no row.
    """
    segments = segment(pair.readings["baseball_day"].to_physical().to_numpy())
    days = pair.readings["baseball_day"].gather(segments.starts).to_list()
    drop_in = _drops(pair.readings)
    rows = []
    for metric in metrics_in(pair.readings, "a."):
        a, b = (pair.readings[f"{side}.{metric}"].cast(pl.Float64).to_numpy() for side in "ab")
        distance = np.abs(SAME.residuals(metric, a, b, drop_in))
        n = segment_sum((~np.isnan(distance)).astype(float), segments)
        mean_distance = segment_sum(np.nan_to_num(distance), segments) / np.maximum(n, 1)
        far = (n >= LEAST_PITCHES_A_NIGHT) & (mean_distance >= _FAR_TOLERANCES * tolerances[metric])
        for index in np.flatnonzero(far).tolist():
            night = slice(segments.starts[index], segments.starts[index] + segments.counts[index])
            found = _explain_night(metric, a[night], b[night], drop_in[night])
            if found:
                rows.append((days[index], pair.tracker_a, pair.tracker_b, metric, *found))
    return pl.DataFrame(rows, schema=_FACTS, orient="row")


def no_conventions() -> pl.DataFrame:
    """Return the frame of `conventions_by_night` without a row."""
    return pl.DataFrame(schema=_FACTS)


def mismatch_table(nightly: pl.DataFrame, centers: pl.DataFrame, standards: Standards) -> pl.DataFrame:
    """Return table `convention_mismatches` from `conventions_by_night` of any nights.

    `centers` is NightFacts.centers: it has each pair's nights and their counts of readings.
    """
    found = list[tuple[object, ...]]()
    for (a, b, metric), rows in nightly.sort("baseball_day").group_by(*_PAIR_AND_METRIC, maintain_order=True):
        nights = centers.filter(pl.col("tracker_a") == a, pl.col("tracker_b") == b)
        counted = nights.select("baseball_day", n=pl.col(f"n.{metric}")).filter(pl.col("n") > 0).sort("baseball_day")
        by_day = {row["baseball_day"]: row for row in rows.iter_rows(named=True)}
        last_day = counted["baseball_day"][-1]
        found += [
            _row(stretch, latest=stretch[-1]["baseball_day"] == last_day)
            for stretch in _stretches(counted.rows(), by_day)
            if _is_accepted(str(metric), stretch, standards.tolerances)
        ]
    table = pl.DataFrame(found, schema=CONVENTION_MISMATCHES.polars_schema(), orient="row")
    return _with_suspects(table, standards.ranks)


def without_mismatches(nights: pl.DataFrame, mismatches: pl.DataFrame, metrics: tuple[str, ...]) -> pl.DataFrame:
    """Drop rows of pairs and nights on which one of `metrics` was read by different conventions."""
    of_metrics = mismatches.filter(pl.col("metric").is_in(metrics))
    for pair in of_metrics.select("tracker_a", "tracker_b", "from_day", "until_day").unique().iter_rows():
        a, b, first, last = pair
        same_pair = (pl.col("tracker_a") == a) & (pl.col("tracker_b") == b)
        nights = nights.filter(~(same_pair & pl.col("baseball_day").is_between(first, last)))
    return nights


def _drops(readings: pl.DataFrame) -> np.ndarray:
    """Return gravity's drop during each flight in inches, below 0."""
    columns = [f"{side}.flight_time_s" for side in "ab" if f"{side}.flight_time_s" in readings.columns]
    by_speed = [
        usual_flight_s(pl.col(f"{side}.release_speed_mph"))
        for side in "ab"
        if f"{side}.release_speed_mph" in readings.columns
    ]
    seconds = pl.coalesce(*columns, *by_speed, pl.lit(USUAL_FLIGHT_S))
    flight_s = readings.with_columns(seconds.alias("flight_s"))["flight_s"].to_numpy()
    return np.asarray(-12 * G_FPS2 * flight_s**2 / 2)


def _explain_night(metric: str, a: np.ndarray, b: np.ndarray, drop_in: np.ndarray) -> tuple[object, ...] | None:
    """Return the columns of a night from `explanation` on; None if no simple mistake explains its differences."""
    read = ~np.isnan(a + b)
    a, b, drop_in = a[read], b[read], drop_in[read]
    tried = explanations(metric)
    left = _centers(metric, np.stack([reason.residuals(metric, a, b, drop_in) for reason in tried]))
    most = _MOST_REMAINING * left.size[0]
    if not METRICS[metric].circular:
        most = min(most, _MOST_OF_READINGS * float(_centers(metric, a[None, :]).size[0]))
    best = int(np.argmin(left.size))
    if best == 0 or left.size[best] > most:
        return None
    figures = (left.center[0], left.spread[0], left.center[best], left.spread[best])
    return (best, len(a), *map(float, figures))


def _centers(metric: str, residuals: np.ndarray) -> _Center:
    """Return center and spread of each row; an angle is read on the branch where it spreads less."""
    center = _plain_centers(residuals)
    if not METRICS[metric].circular:
        return center
    far = _plain_centers(on_branch(residuals, FAR))
    is_far = far.spread < center.spread
    return _Center(
        np.where(is_far, (far.center + 180) % 360 - 180, center.center), np.where(is_far, far.spread, center.spread)
    )


def _plain_centers(residuals: np.ndarray) -> _Center:
    low, middle, high = np.quantile(residuals, _QUANTILES, axis=1)
    return _Center(middle, (high - low) / _QUANTILE_DISTANCE)


def _stretches(nights: list[tuple[date, float]], by_day: dict[date, dict[str, Any]]) -> Iterator[list[dict[str, Any]]]:
    """Yield runs of nights with one explanation; nights with few readings neither begin nor end a run."""
    run = list[dict[str, Any]]()
    for day, n in nights:
        row = by_day.get(day)
        if row is None and n < LEAST_PITCHES_A_NIGHT:
            continue
        if run and (row is None or row["explanation"] != run[0]["explanation"]):
            yield run
            run = []
        if row is not None:
            run.append(row)
    if run:
        yield run


def _is_accepted(metric: str, stretch: list[dict[str, Any]], tolerances: dict[str, float]) -> bool:
    """Return whether the explanation is surely better than a bias, which may be of any size up to the unbelievable."""
    n = sum(row["n"] for row in stretch)
    if n < LEAST_PITCHES:
        return False
    least = _LEAST_SPREAD * tolerances[metric]
    shrinks = _weighted_mean(
        [math.log(max(row["spread_left"], least) / max(row["spread"], least)) for row in stretch], stretch
    )
    bias = _weighted_mean([abs(row["center"]) for row in stretch], stretch)
    unbelievable = bias > unlike_from(metric, tolerances[metric])
    return shrinks < -_SURE_SE * _SE_LOG_RATIO / math.sqrt(n) or (unbelievable and shrinks < math.log(_MOST_GROWTH))


def _weighted_mean(values: list[float], stretch: list[dict[str, Any]]) -> float:
    return float(np.average(values, weights=[row["n"] for row in stretch]))


def _row(stretch: list[dict[str, Any]], *, latest: bool) -> tuple[object, ...]:
    """Return a row of the table without its suspect."""
    first, last = stretch[0], stretch[-1]
    reason: Explanation = explanations(last["metric"])[last["explanation"]]
    row = {
        **{name: last[name] for name in _PAIR_AND_METRIC},
        "explanation": reason.kind,
        "ratio": reason.ratio if reason.units else None,
        "written_unit": reason.units[0] if reason.units else None,
        "stated_unit": reason.units[1] if reason.units else None,
        "from_day": first["baseball_day"],
        "until_day": last["baseball_day"],
        "latest": latest,
        "n": sum(night["n"] for night in stretch),
        "nights": len(stretch),
        "difference": _weighted_mean([math.hypot(night["center"], night["spread"]) for night in stretch], stretch),
        "remaining": _weighted_mean(
            [math.hypot(night["center_left"], night["spread_left"]) for night in stretch], stretch
        ),
        "suspect": None,
        "sentence": None,
    }
    return tuple(row[column] for column in CONVENTION_MISMATCHES.polars_schema())


def _with_suspects(table: pl.DataFrame, ranks: dict[str, int]) -> pl.DataFrame:
    """Name the tracker that alone differs from two or more others, and write the sentences; best-ranked pairs first."""
    rows = table.to_dicts()
    for row in rows:
        same = {
            (other["tracker_a"], other["tracker_b"])
            for other in rows
            if other["metric"] == row["metric"] and _overlap(row, other)
        }
        for tracker in (row["tracker_a"], row["tracker_b"]):
            if len(same) > 1 and all(tracker in pair for pair in same):
                row["suspect"] = tracker
        row["sentence"] = mismatch_sentence([row], {})
    order = {
        tracker: place
        for place, tracker in enumerate(sort_by_rank([*{*table["tracker_a"], *table["tracker_b"]}], ranks))
    }
    metrics = list(METRICS)
    rows.sort(
        key=lambda row: (
            order[row["tracker_a"]],
            order[row["tracker_b"]],
            metrics.index(row["metric"]),
            row["from_day"],
        )
    )
    return pl.DataFrame(rows, schema=CONVENTION_MISMATCHES.polars_schema(), orient="row")


def _overlap(row: dict[str, Any], other: dict[str, Any]) -> bool:
    return bool(row["from_day"] <= other["until_day"] and other["from_day"] <= row["until_day"])
