"""Corrections that a person has stated in ledger.toml.

The tool proposes corrections (proposals.py) but never applies one by itself.
"""

import json
from collections.abc import Sequence
from datetime import date
from typing import NamedTuple

import polars as pl

from pipeline.agreement.device_setup.frame_correction import FrameMove, frame_changes
from schemas.metrics import METRICS, TRAJECTORY
from schemas.sightings import CORRECTIONS_TYPE


class Correction(NamedTuple):
    """One [[correction]] block of ledger.toml.

    `amount` is added to a metric, or to a quantity of the frame as in table `setup`, on these days.
    """

    tracker: str
    metric: str | None
    frame: str | None
    amount: float
    from_day: date | None
    until_day: date | None
    why: str


def apply_corrections(sightings: pl.DataFrame, corrections: Sequence[Correction]) -> pl.DataFrame:
    """Add each correction to the sightings.

    Column `corrections` lists each changed reading with its raw value. A frame correction moves release point, plate location, approach
    angles and trajectory; a roll, a scale or a distance also changes breaks, a roll the spin axis, a distance the flight time. Aim and
    tilt leave breaks unchanged, because break is measured from each pitch's own line of launch. schemas/ledger.md states what remains
    compared with exact flights (checked by tests/test_agreement_setup.py).
    """
    raw = sightings
    for correction in corrections:
        changes = (
            _metric_change(correction.metric, correction.amount)
            if correction.metric
            else frame_changes(FrameMove.from_quantity(str(correction.frame), correction.amount))
        )
        changed = [
            pl.when(_applies(correction)).then(after).otherwise(pl.col(name)).alias(name)
            for name, after in changes.items()
        ]
        sightings = sightings.with_columns(changed)
    return _with_raw_values(sightings, raw) if corrections else sightings


def uncorrected(sightings: pl.DataFrame) -> pl.DataFrame:
    """Return the sightings with every corrected reading set back to its raw value."""
    corrected = sightings.select("corrections").with_row_index("row").drop_nulls("corrections")
    raw = corrected.explode("corrections").unnest("corrections")
    return sightings.with_columns(
        sightings.get_column(str(metric)).clone().scatter(readings["row"], readings["raw_value"])
        for (metric,), readings in raw.group_by("metric", maintain_order=True)
    )


def toml_block(correction: Correction) -> str:
    """Write the block as in ledger.toml."""
    target = ("metric", correction.metric) if correction.metric else ("frame", correction.frame)
    lines = [
        "[[correction]]",
        f"tracker = {json.dumps(correction.tracker)}",
        f"{target[0]} = {json.dumps(target[1])}",
        f"amount = {correction.amount!r}",
    ]
    for name, day in (("from", correction.from_day), ("until", correction.until_day)):
        if day:
            lines.append(f"{name} = {day.isoformat()}")
    return "\n".join([*lines, f"why = {json.dumps(correction.why, ensure_ascii=False)}", ""])


def _applies(correction: Correction) -> pl.Expr:
    applies = pl.col("tracker") == correction.tracker
    if correction.from_day:
        applies &= pl.col("baseball_day") >= correction.from_day
    if correction.until_day:
        applies &= pl.col("baseball_day") <= correction.until_day
    return applies


def _metric_change(metric: str, amount: float) -> dict[str, pl.Expr]:
    moved = pl.col(metric) + amount
    return {metric: moved % 360 if METRICS[metric].circular else moved}


def _with_raw_values(sightings: pl.DataFrame, raw: pl.DataFrame) -> pl.DataFrame:
    """Fill `corrections`: each reading that differs from `raw`, with its raw value."""
    numbered = raw.with_row_index("row")
    changed = [
        numbered.filter(sightings[name].ne_missing(raw[name])).select(
            "row", metric=pl.lit(name), raw_value=pl.col(name)
        )
        for name in (*METRICS, *TRAJECTORY)
        if name in sightings.columns
    ]
    by_row = pl.concat(changed).group_by("row").agg(corrections=pl.struct("metric", "raw_value"))
    listed = numbered.select("row").join(by_row, on="row", how="left", maintain_order="left")
    return sightings.with_columns(listed.get_column("corrections").cast(CORRECTIONS_TYPE))
