"""Proposed corrections: [[correction]] blocks that would undo what was found."""

import math
from collections.abc import Mapping
from datetime import date
from typing import Any, NamedTuple

import polars as pl

from pipeline.agreement.device_setup.corrections import Correction, toml_block
from pipeline.agreement.device_setup.misalignment import CROOKED_FROM, SURE_SE
from pipeline.agreement.wording import alarm_sentence, setup_finding
from schemas.agreement import PROPOSED_CORRECTIONS
from schemas.drift import OWN_HISTORY
from schemas.setup import MOVED_METRICS

# Smallest standard error as a weight: keeps weights finite.
_LEAST_SE = 1e-9


class CrookedStretch(NamedTuple):
    """Consecutive nights on which a tracker was crooked in the same way.

    `row` is the last row of table `setup`, `value` that of all nights, then first and last day (None: all nights).
    """

    row: dict[str, Any]
    value: float
    from_day: date | None
    until_day: date | None


def propose_corrections(drift: pl.DataFrame, setup: pl.DataFrame) -> pl.DataFrame:
    """Return blocks that would undo drifts and crooked setups, ready to paste.

    Drifts are those whose mover is known, live or over, and that no crooked setup explains: one cause has one block. Pairs must be in order
    of rank in both tables.
    """
    live = drift.filter("alarm", "latest", "matters", pl.col("mover").is_not_null())
    # a mover has drifted against every other tracker; the best-ranked one, which comes first, gives the amount
    once = live.unique(["mover", "metric"], keep="first", maintain_order=True)
    stretches = crooked_stretches(setup)
    for_live = [_for_drift(row) for row in once.iter_rows(named=True) if not is_explained_by_setup(row, stretches)]
    for_past = [
        _for_drift(row)._replace(until_day=row["baseball_day"])
        for row in drifts_over(drift)
        if not is_explained_by_setup(row, stretches)
    ]
    proposed = [*for_live, *for_past, *map(_for_setup, stretches)]
    rows = [(*correction, toml_block(correction)) for correction in proposed]
    return pl.DataFrame(rows, schema=PROPOSED_CORRECTIONS.polars_schema(), orient="row")


def drifts_over(drift: pl.DataFrame) -> list[dict[str, Any]]:
    """Return the last night's row of each drift that matters and went back.

    Drifts against another tracker only. A drift that ended because it became the usual level did not go back. Pairs must be in order of
    rank.
    """
    chart = ["tracker_a", "tracker_b", "metric"]
    of_pairs = drift.filter(pl.col("tracker_a") != OWN_HISTORY)
    after = pl.col("level").shift(-1).over(chart, order_by="baseball_day").alias("level_after")
    went_back = (pl.col("level_after") - pl.col("usual_bias")).abs() < (pl.col("level_after") - pl.col("level")).abs()
    alarmed = of_pairs.with_columns(after).filter("alarm", "matters", pl.col("mover").is_not_null())
    last = alarmed.filter(pl.col("baseball_day") == pl.col("baseball_day").max().over(*chart, "change_day"))
    over = last.filter(~pl.col("latest"), went_back)
    return over.unique(["mover", "metric", "change_day"], keep="first", maintain_order=True).to_dicts()


def crooked_now(setup: pl.DataFrame, drift: pl.DataFrame) -> pl.DataFrame:
    """Return each tracker's crooked quantities.

    The row over all nights where its nights agree, else its last night's row. Against own history, only what is still under alarm: the
    table has rows only for nights under alarm, and `drift` has the last night. Pairs must be in order of rank.
    """
    alarmed = (
        drift.filter("alarm", "latest", tracker_a=OWN_HISTORY).select("tracker_a", "tracker_b", "baseball_day").unique()
    )
    of_pairs = setup.filter(pl.col("tracker_a") != OWN_HISTORY)
    own = setup.join(alarmed, on=["tracker_a", "tracker_b", "baseball_day"], how="semi", maintain_order="left")
    by_best, overall = _by_best_and_overall(pl.concat([of_pairs, own]))
    last = by_best.filter("crooked", pl.col("baseball_day") == pl.col("baseball_day").max().over("tracker_b"))
    nightly = last.join(overall, on=["tracker_b", "quantity"], how="anti", maintain_order="left")
    return pl.concat([overall, nightly])


def crooked_stretches(setup: pl.DataFrame) -> list[CrookedStretch]:
    """Return everything that a correction could straighten.

    Quantities over all nights, and runs of nights crooked the same way. Pairs must be in order of rank.
    """
    by_best, overall = _by_best_and_overall(setup)
    stretches = [CrookedStretch(row, row["value"], None, None) for row in overall.iter_rows(named=True)]
    nights = by_best.drop_nulls("baseball_day").join(
        overall, on=["tracker_b", "quantity"], how="anti", maintain_order="left"
    )
    sometimes_crooked = nights.filter(pl.col("crooked").any().over("tracker_b", "quantity"))
    in_order = sometimes_crooked.sort("tracker_b", "quantity", "baseball_day", maintain_order=True)
    for rows in in_order.partition_by("tracker_b", "quantity", maintain_order=True):
        stretches += [_stretch(nights) for nights in _split_into_stretches(rows.to_dicts()) if nights[-1]["crooked"]]
    return stretches


def is_explained_by_setup(row: Mapping[str, Any], stretches: list[CrookedStretch]) -> bool:
    """Return whether a drift comes from a crooked setup, which has an advice and a correction of its own.

    `row` is a night of table `drift`: the same tracker was crooked meanwhile in a quantity that moves the metric.
    """
    tracker = row["mover"] or row["tracker_b"]
    return any(
        stretch.row["tracker_b"] == tracker
        and row["metric"] in MOVED_METRICS[stretch.row["quantity"]]
        and (stretch.until_day is None or stretch.until_day >= row["change_day"])
        and (stretch.from_day is None or stretch.from_day <= row["baseball_day"])
        for stretch in stretches
    )


def _by_best_and_overall(setup: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the rows against the best-ranked partner, and the overall crooked ones.

    Overall rows count where the nights agree.
    """
    by_best = setup.unique(["tracker_b", "quantity", "baseball_day"], keep="first", maintain_order=True)
    return by_best, by_best.filter(
        "crooked", pl.col("baseball_day").is_null(), pl.col("note").is_null(), pl.col("nights") > 1
    )


def _split_into_stretches(nights: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """Split nights wherever one is not crooked in the same way as the one before."""
    stretches = list[list[dict[str, Any]]]()
    for row in nights:
        if stretches and _is_same_way(stretches[-1][-1], row):
            stretches[-1].append(row)
        else:
            stretches.append([row])
    return stretches


def _is_same_way(before: dict[str, Any], row: dict[str, Any]) -> bool:
    """Whether two consecutive nights are crooked in the same way.

    Against own history a row covers all nights since its change. Nights that differ by less than what counts as crooked have one cause.
    """
    if row["tracker_a"] == OWN_HISTORY or before["tracker_a"] == OWN_HISTORY:
        return bool(before["tracker_a"] == row["tracker_a"] and row["nights"] == before["nights"] + 1)
    likely = max(SURE_SE * math.hypot(row["se"], before["se"]), CROOKED_FROM[row["quantity"]])
    near = abs(row["value"] - before["value"]) < likely
    return bool(row["crooked"] and before["crooked"] and near)


def _stretch(nights: list[dict[str, Any]]) -> CrookedStretch:
    last = nights[-1]
    value = last["value"]
    if last["tracker_a"] != OWN_HISTORY:
        weights = [1 / max(row["se"], _LEAST_SE) ** 2 for row in nights]
        value = sum(weight * row["value"] for weight, row in zip(weights, nights, strict=True)) / sum(weights)
    return CrookedStretch(last, value, nights[0]["baseball_day"], last["baseball_day"])


def _for_drift(row: dict[str, Any]) -> Correction:
    sign = 1.0 if row["mover"] == row["tracker_b"] else -1.0
    amount = _three_digits(-sign * row["size"])
    return Correction(row["mover"], row["metric"], None, amount, row["change_day"], None, alarm_sentence(row, {}))


def _for_setup(stretch: CrookedStretch) -> Correction:
    row, amount = stretch.row, _three_digits(-stretch.value)
    days = (stretch.from_day, stretch.until_day)
    why = setup_finding(row, {}, past=stretch.until_day is not None)
    return Correction(row["tracker_b"], None, row["quantity"], amount, *days, why)


def _three_digits(amount: float) -> float:
    """Round to three significant digits.

    More would suggest an accuracy that is not there.
    """
    return float(f"{amount:.3g}")
