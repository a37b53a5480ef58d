"""What the agreement tables ask a person to do, each thing once.

Live drifts, crooked devices, and past nights left uncorrected.
"""

from collections.abc import Mapping
from datetime import date
from typing import Any, Literal, NamedTuple

import polars as pl

from pipeline.agreement.device_setup.proposals import (
    CrookedStretch,
    crooked_now,
    crooked_stretches,
    drifts_over,
    is_explained_by_setup,
)
from pipeline.agreement.drift.outings import POSITIONS
from pipeline.agreement.wording import (
    alarm_sentence,
    change_words,
    metric_words,
    mismatch_advice,
    mismatch_sentence,
    past_drift_sentence,
    past_setup_sentence,
    setup_sentence,
)
from pipeline.words import enumerate_words
from schemas.drift import OWN_HISTORY
from schemas.metrics import METRICS

CORRECT_READINGS = "To correct its readings: `pitchledger report agreement`."

_METRIC_ORDER = {metric: index for index, metric in enumerate(METRICS)}


class Todo(NamedTuple):
    """One thing to do: the finding and what to do about it.

    `kind`: unlike (two trackers read a metric by different conventions), drift, setup (a device is crooked now) or correction (it was, and
    its readings are uncorrected).
    """

    kind: Literal["unlike", "drift", "setup", "correction"]
    sentence: str
    remedy: str


def agreement_todo(
    mismatches: pl.DataFrame, setup: pl.DataFrame, drift: pl.DataFrame, names: Mapping[str, str]
) -> list[Todo]:
    """Return what to do, from the published tables `convention_mismatches`, `setup` and `drift`.

    Mismatched conventions come first, then live drifts that matter, then crooked devices, then past nights to correct, latest first.
    `names` gives the trackers' names where they have one.
    """
    unlike = [
        Todo("unlike", mismatch_sentence(rows, names), mismatch_advice(rows, names))
        for rows in _one_mistake(mismatches)
    ]
    setup, drift = sort_by_rank_order(setup), sort_by_rank_order(drift)
    crooked, stretches = crooked_now(setup, drift), crooked_stretches(setup)
    drifted = [
        Todo("drift", _drift_sentence(rows, names), f"Check the device. {CORRECT_READINGS}")
        for rows in _live_drifts(drift, crooked, stretches)
    ]
    standing = [
        Todo("setup", setup_sentence(row, names), f"Set it up again. {CORRECT_READINGS}")
        for row in crooked.iter_rows(named=True)
    ]
    past = [
        *(
            (stretch.until_day, past_setup_sentence(*stretch, names))
            for stretch in _stretches_that_ended(stretches, crooked)
        ),
        *(
            (row["baseball_day"], past_drift_sentence(row, names))
            for row in drifts_over(drift)
            if not is_explained_by_setup(row, stretches)
        ),
    ]
    latest_first = sorted(past, key=lambda dated: dated[0] or date.max, reverse=True)
    remedy = f"Nothing to do at the device. {CORRECT_READINGS}"
    return [*unlike, *drifted, *standing, *(Todo("correction", sentence, remedy) for _, sentence in latest_first)]


def sort_by_rank_order(table: pl.DataFrame) -> pl.DataFrame:
    """Sort pairs by rank and metrics in their usual order.

    Tables are stored by name, but tracker_a always has the better rank.
    """
    pairs = table.select("tracker_a", "tracker_b").unique()
    trackers = {*pairs["tracker_a"], *pairs["tracker_b"]}
    better = {tracker: pairs.filter(pl.col("tracker_b") == tracker).height for tracker in trackers}
    sides = ("tracker_a", "tracker_b")
    order = [
        *(pl.col(side).replace_strict(better, return_dtype=pl.Int64) for side in sides),
        *(pl.col(side) for side in sides),
    ]
    if "metric" in table.columns:
        order.append(pl.col("metric").replace_strict(_METRIC_ORDER, return_dtype=pl.Int64))
    return table.sort(*order, maintain_order=True)


def _one_mistake(mismatches: pl.DataFrame) -> list[list[dict[str, Any]]]:
    """Return mismatches of one cause together: of one pair or one suspect, explanation and first night."""
    cause = ["explanation", "written_unit", "stated_unit", "from_day", "until_day"]
    ranked = sort_by_rank_order(mismatches)
    # a suspect differs from each other tracker; the best-ranked one is enough
    once = pl.concat(
        [
            ranked.filter(pl.col("suspect").is_null()),
            ranked.drop_nulls("suspect").unique(["suspect", "metric", *cause[:-1]], keep="first", maintain_order=True),
        ]
    )
    together = once.partition_by("tracker_a", "tracker_b", "suspect", *cause, maintain_order=True)
    return [rows.to_dicts() for rows in together]


def _live_drifts(
    drift: pl.DataFrame, crooked: pl.DataFrame, stretches: list[CrookedStretch]
) -> list[list[dict[str, Any]]]:
    """Return live drifts that matter and that no crooked setup explains.

    Metrics that moved in one tracker on one day are together.
    """
    live = drift.filter("alarm", "latest", "matters").with_columns(who=pl.coalesce("mover", "tracker_b"))
    once = live.unique(["who", "metric"], keep="first", maintain_order=True)
    # a frame that is reported as turned moves the release points, which then need no line of their own
    turned = [*crooked.filter(tracker_a=OWN_HISTORY)["tracker_b"].unique()]
    of_turn = (pl.col("tracker_a") == OWN_HISTORY) & pl.col("who").is_in(turned) & pl.col("metric").is_in(POSITIONS)
    of_setup = [is_explained_by_setup(row, stretches) for row in once.iter_rows(named=True)]
    unexplained = once.filter(~of_turn & ~pl.Series(of_setup, dtype=pl.Boolean))
    together = unexplained.partition_by("tracker_a", "tracker_b", "who", "change_day", maintain_order=True)
    return [rows.to_dicts() for rows in together]


def _drift_sentence(rows: list[dict[str, Any]], names: Mapping[str, str]) -> str:
    """Describe all metrics that moved in one tracker on one day.

    The first in full, the others with their change.
    """
    sentence = alarm_sentence(rows[0], names)
    if len(rows) == 1:
        return sentence
    # sizes are b - a, so they change sign where a moved
    sign = -1.0 if rows[0]["mover"] == rows[0]["tracker_a"] else 1.0
    others = [f"{metric_words(row['metric'])} {change_words(row['metric'], sign * row['size'])}" for row in rows[1:]]
    return f"{sentence} Also since then: {enumerate_words(others)}."


def _stretches_that_ended(stretches: list[CrookedStretch], crooked: pl.DataFrame) -> list[CrookedStretch]:
    still = {(row["tracker_b"], row["quantity"], row["baseball_day"]) for row in crooked.iter_rows(named=True)}
    return [
        stretch
        for stretch in stretches
        if stretch.until_day and (stretch.row["tracker_b"], stretch.row["quantity"], stretch.until_day) not in still
    ]
