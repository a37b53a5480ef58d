"""Do two trackers call the same pitch the same: confusion tables and kappa.

Source: Cohen, Educ Psychol Meas 1960;20:37; standard error: Fleiss, Cohen & Everitt, Psychol Bull 1969;72:323.
"""

import math
from itertools import combinations
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.bias.limits import interval_of_mean
from pipeline.agreement.facts.readings import Placed, in_order_of_rank
from schemas.contract import conform
from schemas.label_agreement import LABEL_AGREEMENT, LABEL_CONFUSION

FIELDS = ("pitch_type", "pitch_result", "plate_appearance_result")
LEAST_NIGHTS_FOR_JACKKNIFE = 5
EXAMPLES = 10


class Kappa(NamedTuple):
    """Share of pitches called alike, Cohen's kappa, its standard error and 95 % interval; nan where all calls are one and the same."""

    share_alike: float
    kappa: float
    se: float
    low: float
    high: float


class LabelTables(NamedTuple):
    """`label_agreement`: one row per pair and field; `label_confusion`: one row per pair, field and two labels."""

    label_agreement: pl.DataFrame
    label_confusion: pl.DataFrame


def kappa(counts: np.ndarray) -> Kappa:
    """Kappa of a confusion table, or of nights x table x table: then its error comes from the nights (jackknife), where there are enough."""
    whole = counts if counts.ndim == 2 else counts.sum(axis=0)
    alike, value, se = _kappa_and_error(whole)
    half = 1.959963984540054
    if counts.ndim == 3 and len(counts) >= LEAST_NIGHTS_FOR_JACKKNIFE:
        alikes, chances = _alike_and_chance(whole - counts)
        left_out = (alikes - chances) / (1 - chances)
        k = len(counts)
        se = math.sqrt((k - 1) / k * float(((left_out - left_out.mean()) ** 2).sum()))
        half = float(interval_of_mean(0.0, 1.0, k - 1).high)
    return Kappa(alike, value, se, max(value - half * se, -1.0), min(value + half * se, 1.0))


def labels_by_night(seen: Placed, ranks: dict[str, int]) -> pl.DataFrame:
    """One row per night, pair, field and two labels: `pitches`, and where the labels differ the first pitch_ids, with commas, as `look_at`.

    A label of "unknown" or none is not compared.
    """
    fields = [field for field in FIELDS if field in seen.sightings.columns]
    labelled = seen.sightings.select("group", "tracker", "baseball_day", *fields).drop_nulls("group")
    by_tracker = {str(tracker): held for (tracker,), held in labelled.group_by("tracker")}
    parts = [pl.DataFrame(schema=_NIGHTLY)]
    for pair in combinations(in_order_of_rank(list(by_tracker), ranks), 2):
        both = by_tracker[pair[0]].join(by_tracker[pair[1]], on="group", suffix="_b")
        parts += [_counted(pair, field, _called(both, field), seen.thrown["pitch_id"]) for field in fields]
    return pl.concat(parts).sort(list(_NIGHTLY)[:-2])


def label_tables(nightly: pl.DataFrame, ranks: dict[str, int]) -> LabelTables:
    """How far every two trackers' labels of the same pitches agree, from `labels_by_night` of any nights."""
    trackers = in_order_of_rank(pl.concat([nightly["tracker_a"], nightly["tracker_b"]]).unique().to_list(), ranks)
    by_pair = nightly.partition_by("tracker_a", "tracker_b", "field", as_dict=True)
    agreements, confusions = [LABEL_AGREEMENT.empty()], [LABEL_CONFUSION.empty()]
    for pair in combinations(trackers, 2):
        for field in FIELDS:
            called = by_pair.get((*pair, field))
            if called is not None:
                agreements.append(_agreement(pair, field, called))
                confusions.append(_confusion(pair, field, called))
    return LabelTables(pl.concat(agreements), pl.concat(confusions))


_NIGHTLY = {
    "baseball_day": pl.Date,
    "tracker_a": pl.String,
    "tracker_b": pl.String,
    "field": pl.String,
    "label_a": pl.String,
    "label_b": pl.String,
    "pitches": pl.UInt32,
    "look_at": pl.String,
}


def _called(both: pl.DataFrame, field: str) -> pl.DataFrame:
    known = pl.all_horizontal(pl.col("label_a", "label_b").is_not_null() & (pl.col("label_a", "label_b") != "unknown"))
    return both.select("baseball_day", "group", label_a=pl.col(field), label_b=pl.col(f"{field}_b")).filter(known)


def _counted(pair: tuple[str, str], field: str, called: pl.DataFrame, pitch_ids: pl.Series) -> pl.DataFrame:
    cell = ["baseball_day", "label_a", "label_b"]
    counts = called.group_by(cell).agg(pl.len().alias("pitches"))
    unlike = called.filter(pl.col("label_a") != pl.col("label_b"))
    named = unlike.with_columns(pitch_id=pitch_ids.gather(unlike["group"])).group_by(cell)
    examples = named.agg(pl.col("pitch_id").sort().head(EXAMPLES).str.join(",").alias("look_at"))
    told = counts.join(examples, on=cell, how="left").with_columns(
        tracker_a=pl.lit(pair[0]), tracker_b=pl.lit(pair[1]), field=pl.lit(field)
    )
    return told.select(pl.col(name).cast(dtype) for name, dtype in _NIGHTLY.items())


def _agreement(pair: tuple[str, str], field: str, called: pl.DataFrame) -> pl.DataFrame:
    counts, pitches = _counts(called), int(called["pitches"].sum())
    found = kappa(counts)
    numbers = (found.share_alike, found.kappa, found.low, found.high)
    row = (*pair, field, pitches, len(counts), *numbers, _note(found, pitches, len(counts)))
    return pl.DataFrame([row], schema=LABEL_AGREEMENT.polars_schema(), orient="row").with_columns(
        pl.selectors.float().fill_nan(None)
    )


def _confusion(pair: tuple[str, str], field: str, called: pl.DataFrame) -> pl.DataFrame:
    first = pl.col("look_at").drop_nulls().str.split(",").explode().sort().head(EXAMPLES).str.join(",")
    told = (
        called.group_by("label_a", "label_b")
        .agg(pl.col("pitches").sum(), first)
        .with_columns(
            pl.lit(pair[0]).alias("tracker_a"),
            pl.lit(pair[1]).alias("tracker_b"),
            pl.lit(field).alias("field"),
            pl.col("look_at").replace("", None),
            (pl.col("pitches") / pl.col("pitches").sum().over("label_a")).alias("share_of_a"),
        )
    )
    return conform(told, LABEL_CONFUSION).sort("label_a", "label_b")


def _counts(called: pl.DataFrame) -> np.ndarray:
    """Nights x labels of a x labels of b."""
    labels = sorted({*called["label_a"], *called["label_b"]})
    places = {label: place for place, label in enumerate(labels)}
    night = called["baseball_day"].rank("dense").to_numpy().astype(int) - 1
    a, b = (called[name].replace_strict(places, return_dtype=pl.Int64).to_numpy() for name in ("label_a", "label_b"))
    counts = np.zeros((night.max() + 1, len(labels), len(labels)))
    counts[night, a, b] = called["pitches"].to_numpy()
    return counts


def _alike_and_chance(counts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Shares called alike and expected alike by chance, of one table or of many."""
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
    off = share * (columns[:, None] + rows[None, :]) ** 2
    beside = (1 - value) ** 2 * float(off.sum() - np.trace(off))
    variance = (diagonal + beside - (value - chance * (1 - value)) ** 2) / (n * (1 - chance) ** 2)
    return alike, value, math.sqrt(max(float(variance), 0.0))


def _note(found: Kappa, n: int, nights: int) -> str:
    parts = ["all calls are one and the same: kappa can't be told"] if math.isnan(found.kappa) else []
    if n < 30:
        parts.append(f"only {n} pitches")
    if nights < LEAST_NIGHTS_FOR_JACKKNIFE:
        parts.append("one night: says nothing about other nights" if nights == 1 else f"only {nights} nights")
    return "; ".join(parts)
