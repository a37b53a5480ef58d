"""What the tables of agreement ask a person to do, each thing once: devices that drifted, that stand crooked, and nights left to correct."""

from collections.abc import Mapping
from datetime import date
from typing import Literal, NamedTuple

import polars as pl

from pipeline.agreement.device_setup.proposals import CrookedStretch, crooked_now, crooked_stretches, drifts_over
from pipeline.agreement.drift.outings import POSITIONS
from pipeline.agreement.wording import (
    alarm_sentence,
    amount_words,
    metric_words,
    past_drift_sentence,
    past_setup_sentence,
    setup_sentence,
)
from schemas.drift import OWN_HISTORY
from schemas.metrics import METRICS

BLOCK_AT = "`pitchledger report agreement` has the block to paste into ledger.toml"


class Todo(NamedTuple):
    """`kind`: drift, setup (a device stands crooked) or correction (it did, and its readings were left as they came)."""

    kind: Literal["drift", "setup", "correction"]
    sentence: str
    remedy: str


def agreement_todo(setup: pl.DataFrame, drift: pl.DataFrame, names: Mapping[str, str]) -> list[Todo]:
    """From the published tables `setup` and `drift`: live drifts that matter, what stands crooked, and past nights that did, the latest first."""
    setup, drift, called = by_rank(setup), by_rank(drift), dict(names)
    crooked = crooked_now(setup, drift)
    drifted = [
        Todo("drift", _together(rows, called), f"look at the device; to correct it meanwhile: {BLOCK_AT}")
        for rows in _drifts(drift, crooked)
    ]
    standing = [
        Todo("setup", setup_sentence(row, called), f"set it up anew; for the readings taken so: {BLOCK_AT}")
        for row in crooked.iter_rows(named=True)
    ]
    left = [
        *((stretch.until_day, past_setup_sentence(*stretch, called)) for stretch in _left_to_correct(setup, crooked)),
        *((row["baseball_day"], past_drift_sentence(row, called)) for row in drifts_over(drift)),
    ]
    latest_first = sorted(left, key=lambda told: told[0] or date.max, reverse=True)
    over = [Todo("correction", sentence, f"nothing at the device; {BLOCK_AT}") for _, sentence in latest_first]
    return [*drifted, *standing, *over]


_PLACES = {metric: place for place, metric in enumerate(METRICS)}


def by_rank(table: pl.DataFrame) -> pl.DataFrame:
    """Rows with pairs in order of rank, which the table's own order does not keep (the better one is always tracker_a); then by metric."""
    pairs = table.select("tracker_a", "tracker_b").unique()
    trackers = {*pairs["tracker_a"], *pairs["tracker_b"]}
    better = {tracker: pairs.filter(pl.col("tracker_b") == tracker).height for tracker in trackers}
    sides = ("tracker_a", "tracker_b")
    order = [
        *(pl.col(side).replace_strict(better, return_dtype=pl.Int64) for side in sides),
        *(pl.col(side) for side in sides),
    ]
    if "metric" in table.columns:
        order.append(pl.col("metric").replace_strict(_PLACES, return_dtype=pl.Int64))
    return table.sort(*order, maintain_order=True)


def _drifts(drift: pl.DataFrame, crooked: pl.DataFrame) -> list[list[dict[str, object]]]:
    """Live drifts that matter: all that moved in one tracker on one day together, against the best tracker that tells."""
    live = drift.filter("alarm", "latest", "matters").with_columns(who=pl.coalesce("mover", "tracker_b"))
    once = live.unique(["who", "metric"], keep="first", maintain_order=True)
    # a frame that is told as turned moves the release points, which then need no line of their own
    turned = [*crooked.filter(tracker_a=OWN_HISTORY)["tracker_b"].unique()]
    of_turn = (pl.col("tracker_a") == OWN_HISTORY) & pl.col("who").is_in(turned) & pl.col("metric").is_in(POSITIONS)
    same = once.filter(~of_turn).partition_by("tracker_a", "tracker_b", "who", "change_day", maintain_order=True)
    return [rows.to_dicts() for rows in same]


def _together(rows: list[dict[str, object]], names: dict[str, str]) -> str:
    """One sentence for all that moved in one tracker on one day: the first in full, of the others how far."""
    # sizes are b minus a: where a moved, the other way round
    sign = -1.0 if rows[0]["mover"] == rows[0]["tracker_a"] else 1.0
    moved = [(str(row["metric"]), sign * float(str(row["size"]))) for row in rows[1:]]
    others = [
        f"{metric_words(metric)} {amount_words(metric, size)} {'up' if size > 0 else 'down'}" for metric, size in moved
    ]
    return alarm_sentence(rows[0], names) + (f"; since then too: {', '.join(others)}" if others else "")


def _left_to_correct(setup: pl.DataFrame, crooked: pl.DataFrame) -> list[CrookedStretch]:
    """Stretches that are over: what stands crooked still has been told."""
    still = {(row["tracker_b"], row["quantity"], row["baseball_day"]) for row in crooked.iter_rows(named=True)}
    return [
        stretch
        for stretch in crooked_stretches(setup)
        if stretch.until_day and (stretch.row["tracker_b"], stretch.row["quantity"], stretch.until_day) not in still
    ]
