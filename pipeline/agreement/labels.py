"""Label agreement: confusion tables and Cohen's kappa.

Source: Cohen, Educ Psychol Meas 1960;20:37; standard error: Fleiss, Cohen & Everitt, Psychol Bull 1969;72:323.
"""

import math
from itertools import combinations
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.bias.limits import interval_of_mean
from pipeline.agreement.facts.readings import GroupedSightings, sort_by_rank
from pipeline.agreement.wording import few_nights_note
from schemas.contract import conform
from schemas.label_agreement import LABEL_AGREEMENT, LABEL_CONFUSION

FIELDS = ("pitch_type", "pitch_result", "plate_appearance_result")
# With fewer nights the standard error is that of independent pitches (our choice, no source).
LEAST_NIGHTS_FOR_JACKKNIFE = 5
# With fewer pitches the note says so (common practice, no source).
SMALL_PITCHES = 30
# Pitch ids listed per pair of labels that differ.
EXAMPLES = 10
# 97.5 % quantile of the normal distribution.
_NORMAL_975 = 1.959963984540054

_NIGHTLY = {
    "baseball_day": pl.Date,
    "tracker_a": pl.String,
    "tracker_b": pl.String,
    "field": pl.String,
    "label_a": pl.String,
    "label_b": pl.String,
    "pitches": pl.UInt32,
    "example_pitch_ids": pl.String,
}


class Kappa(NamedTuple):
    """Share of equal labels, Cohen's kappa, its standard error and 95 % interval.

    nan where all labels are the same.
    """

    share_equal: float
    kappa: float
    se: float
    low: float
    high: float


class LabelTables(NamedTuple):
    """`label_agreement`: one row per pair and field.

    `label_confusion`: one row per pair, field and two labels.
    """

    label_agreement: pl.DataFrame
    label_confusion: pl.DataFrame


def kappa(counts: np.ndarray) -> Kappa:
    """Return kappa of a confusion table, or of nights x table x table.

    With enough nights, the standard error is a jackknife over nights.
    """
    table = counts if counts.ndim == 2 else counts.sum(axis=0)
    alike, value, se = _kappa_and_error(table)
    quantile = _NORMAL_975
    if counts.ndim == 3 and len(counts) >= LEAST_NIGHTS_FOR_JACKKNIFE:
        alikes, chances = _alike_and_chance(table - counts)
        left_out = (alikes - chances) / (1 - chances)
        k = len(counts)
        se = math.sqrt((k - 1) / k * float(((left_out - left_out.mean()) ** 2).sum()))
        quantile = float(interval_of_mean(0.0, 1.0, k - 1).high)
    return Kappa(alike, value, se, max(value - quantile * se, -1.0), min(value + quantile * se, 1.0))


def labels_by_night(grouped: GroupedSightings, ranks: dict[str, int]) -> pl.DataFrame:
    """Return one row per night, pair, field and two labels.

    `pitches` counts them; `example_pitch_ids` lists the first pitch_ids, with commas, where the labels differ. A label that is "unknown" or missing is not compared.
    """
    fields = [field for field in FIELDS if field in grouped.sightings.columns]
    labeled = grouped.sightings.select("group", "tracker", "baseball_day", *fields).drop_nulls("group")
    by_tracker = {str(tracker): sightings for (tracker,), sightings in labeled.group_by("tracker")}
    parts = [pl.DataFrame(schema=_NIGHTLY)]
    for a, b in combinations(sort_by_rank(list(by_tracker), ranks), 2):
        both = by_tracker[a].join(by_tracker[b], on="group", suffix="_b")
        for field in fields:
            counts = _count_labels(_known_labels(both, field), grouped.pitches["pitch_id"])
            counts = counts.with_columns(tracker_a=pl.lit(a), tracker_b=pl.lit(b), field=pl.lit(field))
            parts.append(counts.select(pl.col(name).cast(dtype) for name, dtype in _NIGHTLY.items()))
    return pl.concat(parts).sort(list(_NIGHTLY)[:-2])


def label_tables(nightly: pl.DataFrame, ranks: dict[str, int]) -> LabelTables:
    """Compare every two trackers' labels of the same pitches.

    `nightly` is what `labels_by_night` returns, of any nights.
    """
    trackers = sort_by_rank(pl.concat([nightly["tracker_a"], nightly["tracker_b"]]).unique().to_list(), ranks)
    by_pair = nightly.partition_by("tracker_a", "tracker_b", "field", as_dict=True)
    agreements, confusions = [LABEL_AGREEMENT.empty()], [LABEL_CONFUSION.empty()]
    for pair in combinations(trackers, 2):
        for field in FIELDS:
            labels = by_pair.get((*pair, field))
            if labels is not None:
                agreements.append(_agreement_row((*pair, field), labels))
                confusions.append(_confusion_rows((*pair, field), labels))
    return LabelTables(pl.concat(agreements), pl.concat(confusions))


def _known_labels(both: pl.DataFrame, field: str) -> pl.DataFrame:
    known = pl.all_horizontal(pl.col("label_a", "label_b").is_not_null() & (pl.col("label_a", "label_b") != "unknown"))
    return both.select("baseball_day", "group", label_a=pl.col(field), label_b=pl.col(f"{field}_b")).filter(known)


def _count_labels(labels: pl.DataFrame, pitch_ids: pl.Series) -> pl.DataFrame:
    cell = ["baseball_day", "label_a", "label_b"]
    counts = labels.group_by(cell).agg(pl.len().alias("pitches"))
    differing = labels.filter(pl.col("label_a") != pl.col("label_b"))
    with_ids = differing.with_columns(pitch_id=pitch_ids.gather(differing["group"])).group_by(cell)
    examples = with_ids.agg(pl.col("pitch_id").sort().head(EXAMPLES).str.join(",").alias("example_pitch_ids"))
    return counts.join(examples, on=cell, how="left")


def _agreement_row(key: tuple[str, str, str], labels: pl.DataFrame) -> pl.DataFrame:
    counts, pitches = _confusion_counts(labels), int(labels["pitches"].sum())
    found = kappa(counts)
    numbers = (found.share_equal, found.kappa, found.low, found.high)
    row = (*key, pitches, len(counts), *numbers, _note(found, pitches, len(counts)))
    return pl.DataFrame([row], schema=LABEL_AGREEMENT.polars_schema(), orient="row").with_columns(
        pl.selectors.float().fill_nan(None)
    )


def _confusion_rows(key: tuple[str, str, str], labels: pl.DataFrame) -> pl.DataFrame:
    examples = pl.col("example_pitch_ids").drop_nulls().str.split(",").explode().sort().head(EXAMPLES).str.join(",")
    rows = labels.group_by("label_a", "label_b").agg(pl.col("pitches").sum(), examples)
    rows = rows.with_columns(
        tracker_a=pl.lit(key[0]),
        tracker_b=pl.lit(key[1]),
        field=pl.lit(key[2]),
        example_pitch_ids=pl.col("example_pitch_ids").replace("", None),
        share_of_a=pl.col("pitches") / pl.col("pitches").sum().over("label_a"),
    )
    return conform(rows, LABEL_CONFUSION).sort("label_a", "label_b")


def _confusion_counts(labels: pl.DataFrame) -> np.ndarray:
    """Return nights x labels of a x labels of b."""
    names = sorted({*labels["label_a"], *labels["label_b"]})
    index = {name: number for number, name in enumerate(names)}
    night = labels["baseball_day"].rank("dense").to_numpy().astype(int) - 1
    a, b = (labels[name].replace_strict(index, return_dtype=pl.Int64).to_numpy() for name in ("label_a", "label_b"))
    counts = np.zeros((night.max() + 1, len(names), len(names)))
    counts[night, a, b] = labels["pitches"].to_numpy()
    return counts


def _alike_and_chance(counts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the share of equal labels and the share expected by chance.

    Of one table or of many.
    """
    share = counts / counts.sum(axis=(-2, -1), keepdims=True)
    return np.einsum("...ii->...", share), (share.sum(axis=-1) * share.sum(axis=-2)).sum(axis=-1)


def _kappa_and_error(counts: np.ndarray) -> tuple[float, float, float]:
    n, share = counts.sum(), counts / counts.sum()
    rows, columns = share.sum(axis=1), share.sum(axis=0)
    alike, chance = (float(value) for value in _alike_and_chance(counts))
    if chance >= 1 - 1e-12:
        return alike, math.nan, math.nan
    value = (alike - chance) / (1 - chance)
    # Fleiss, Cohen & Everitt 1969, equation 13
    diagonal = float((np.diag(share) * (1 - (rows + columns) * (1 - value)) ** 2).sum())
    squares = share * (columns[:, None] + rows[None, :]) ** 2
    off_diagonal = (1 - value) ** 2 * float(squares.sum() - np.trace(squares))
    variance = (diagonal + off_diagonal - (value - chance * (1 - value)) ** 2) / (n * (1 - chance) ** 2)
    return alike, value, math.sqrt(max(float(variance), 0.0))


def _note(found: Kappa, n: int, nights: int) -> str:
    parts = ["all labels are the same, so kappa is undefined"] if math.isnan(found.kappa) else []
    if n < SMALL_PITCHES:
        parts.append(f"only {n} pitches")
    if nights < LEAST_NIGHTS_FOR_JACKKNIFE:
        parts.append(few_nights_note(nights))
    return "; ".join(parts)
