"""Corrections that a person has stated in ledger.toml, and those that the tables propose: the tool never applies one by itself."""

import json
import math
from collections.abc import Sequence
from datetime import date
from typing import Any, NamedTuple

import polars as pl

from pipeline.agreement.sentences import alarm_sentence, setup_sentence
from pipeline.agreement.setup import FRONT_EDGE_FT, RUBBER_FT
from schemas.agreement import PROPOSED_CORRECTIONS
from schemas.metrics import METRICS, TRAJECTORY


class Correction(NamedTuple):
    """One [[correction]] block: `amount` is added to the metric, or to the way the frame lies (a quantity of table `setup`), on those days."""

    tracker: str
    metric: str | None
    frame: str | None
    amount: float
    from_day: date | None
    until_day: date | None
    why: str


def apply_corrections(sightings: pl.DataFrame, corrections: Sequence[Correction]) -> pl.DataFrame:
    """The sightings with each correction added; `corrections` says per row what changed, as `release_speed_mph 91.3 -> 90.6; ...`.

    The first number is the reading as it came, so that `uncorrected` can put it back. A frame correction moves release point, plate
    location, approach angles and trajectory; break and spin axis stay as read.
    """
    raw = sightings
    for correction in corrections:
        changes = _metric_change(correction) if correction.metric else _frame_changes(correction)
        changed = [
            pl.when(_applies(correction)).then(after).otherwise(pl.col(name)).alias(name)
            for name, after in changes.items()
        ]
        sightings = sightings.with_columns(changed)
    return _with_account(sightings, raw) if corrections else sightings


def uncorrected(sightings: pl.DataFrame) -> pl.DataFrame:
    """The sightings with every corrected reading as it came, by what `corrections` says."""
    held = [name for name in (*METRICS, *TRAJECTORY) if name in sightings.columns]
    raw = (
        pl.col("corrections").str.extract(rf"(?:^|; ){name} (\S+) -> ").cast(pl.Float64).alias(name) for name in held
    )
    return sightings.with_columns(pl.coalesce(before, name).alias(name) for before, name in zip(raw, held, strict=True))


def propose_corrections(drift: pl.DataFrame, setup: pl.DataFrame) -> pl.DataFrame:
    """The [[correction]] blocks that would undo the live drifts whose mover is known and the crooked setups, ready to paste."""
    live = drift.filter("alarm", "latest", "matters", pl.col("mover").is_not_null())
    # a mover has drifted against all others: the one of best rank, which comes first, says by how much
    of_drift = [
        _for_drift(row)
        for row in live.unique(["mover", "metric"], keep="first", maintain_order=True).iter_rows(named=True)
    ]
    of_setup = [_for_setup(row) for row in crooked_now(setup).iter_rows(named=True)]
    rows = [(*found, toml_block(found)) for found in (*of_drift, *of_setup)]
    return pl.DataFrame(rows, schema=PROPOSED_CORRECTIONS.polars_schema(), orient="row")


def crooked_now(setup: pl.DataFrame) -> pl.DataFrame:
    """Of each tracker's crooked quantities in table `setup` (pairs in order of rank): the whole, where its nights agree, else its last night's."""
    key = ["tracker_b", "quantity"]
    # each tracker against the best-ranked one that tells: pairs stand in order of rank
    told = setup.unique([*key, "baseball_day"], keep="first", maintain_order=True)
    whole = told.filter("crooked", pl.col("baseball_day").is_null(), pl.col("note").is_null(), pl.col("nights") > 1)
    last = told.filter("crooked", pl.col("baseball_day") == pl.col("baseball_day").max().over("tracker_b"))
    return pl.concat([whole, last.join(whole, on=key, how="anti", maintain_order="left")])


def toml_block(correction: Correction) -> str:
    """The block as it stands in ledger.toml."""
    lines = ["[[correction]]", f"tracker = {json.dumps(correction.tracker)}"]
    lines.append(
        f"metric = {json.dumps(correction.metric)}" if correction.metric else f"frame = {json.dumps(correction.frame)}"
    )
    lines.append(f"amount = {correction.amount!r}")
    if correction.from_day:
        lines.append(f"from = {correction.from_day.isoformat()}")
    if correction.until_day:
        lines.append(f"until = {correction.until_day.isoformat()}")
    return "\n".join([*lines, f"why = {json.dumps(correction.why, ensure_ascii=False)}", ""])


def _applies(correction: Correction) -> pl.Expr:
    applies = pl.col("tracker") == correction.tracker
    if correction.from_day:
        applies &= pl.col("baseball_day") >= correction.from_day
    if correction.until_day:
        applies &= pl.col("baseball_day") <= correction.until_day
    return applies


def _metric_change(correction: Correction) -> dict[str, pl.Expr]:
    metric = str(correction.metric)
    moved = pl.col(metric) + correction.amount
    return {metric: moved % 360 if METRICS[metric].circular else moved}


def _frame_changes(correction: Correction) -> dict[str, pl.Expr]:
    """What a turn or shift of the frame does to each reading: the same small-angle frame as in setup.py."""
    amount = {str(correction.frame): correction.amount}
    aim, tilt, roll = (math.radians(amount.get(name, 0.0)) for name in ("aim_deg", "tilt_deg", "roll_deg"))
    side, height, distance = (amount.get(name, 0.0) / 12 for name in ("side_in", "height_in", "distance_in"))
    scale = amount.get("scale", 0.0)

    def moved(x: pl.Expr, y: pl.Expr, z: pl.Expr) -> tuple[pl.Expr, pl.Expr, pl.Expr]:
        return scale * x + aim * y + roll * z, scale * y - aim * x - tilt * z, scale * z + tilt * y - roll * x

    release = moved(
        pl.col("release_side_ft"), RUBBER_FT - pl.col("extension_ft").fill_null(6.0), pl.col("release_height_ft")
    )
    plate = moved(pl.col("plate_side_ft"), pl.lit(FRONT_EDGE_FT), pl.col("plate_height_ft"))
    # the flight's slopes dx/dy, dz/dy at the plate
    across, down = (-pl.col(f"{way}_approach_deg").radians().tan() for way in ("horizontal", "vertical"))
    along_y = plate[1] + distance
    place = moved(*(pl.col(f"trajectory_{axis}_ft") for axis in "xyz"))
    shifts = dict(zip("xyz", (side, distance, height), strict=True))
    changes = {
        "release_side_ft": pl.col("release_side_ft") + release[0] + side,
        "extension_ft": pl.col("extension_ft") - release[1] - distance,
        "release_height_ft": pl.col("release_height_ft") + release[2] + height,
        "plate_side_ft": pl.col("plate_side_ft") + plate[0] + side - across.fill_null(0.0) * along_y,
        "plate_height_ft": pl.col("plate_height_ft") + plate[2] + height - down.fill_null(0.0) * along_y,
        "horizontal_approach_deg": pl.col("horizontal_approach_deg")
        - math.degrees(aim)
        - math.degrees(roll) * down.fill_null(0.0),
        "vertical_approach_deg": pl.col("vertical_approach_deg")
        - math.degrees(tilt)
        + math.degrees(roll) * across.fill_null(0.0),
    }
    changes |= {
        f"trajectory_{axis}_ft": pl.col(f"trajectory_{axis}_ft") + move + shifts[axis]
        for axis, move in zip("xyz", place, strict=True)
    }
    for name in ("trajectory_v{}_fps", "trajectory_a{}_fps2"):
        vector = moved(*(pl.col(name.format(axis)) for axis in "xyz"))
        changes |= {
            name.format(axis): pl.col(name.format(axis)) + move for axis, move in zip("xyz", vector, strict=True)
        }
    return changes


def _with_account(sightings: pl.DataFrame, raw: pl.DataFrame) -> pl.DataFrame:
    held = [name for name in (*METRICS, *TRAJECTORY) if name in sightings.columns]
    said = (
        pl.when(sightings[name].ne_missing(raw[name]))
        .then(pl.format(name + " {} -> {}", raw[name], sightings[name].round(6)))
        .alias(name)
        for name in held
    )
    account = sightings.select(said).select(
        pl.concat_str(pl.all(), separator="; ", ignore_nulls=True).alias("corrections")
    )
    return sightings.with_columns(account["corrections"].replace("", None))


def _for_drift(row: dict[str, Any]) -> Correction:
    sign = 1.0 if row["mover"] == row["tracker_b"] else -1.0
    return Correction(
        row["mover"],
        row["metric"],
        None,
        _rounded(-sign * row["size"]),
        row["change_day"],
        None,
        alarm_sentence(row, {}),
    )


def _for_setup(row: dict[str, Any]) -> Correction:
    day = row["baseball_day"]
    return Correction(
        row["tracker_b"], None, row["quantity"], _rounded(-row["value"]), day, day, setup_sentence(row, {})
    )


def _rounded(amount: float) -> float:
    """To three significant figures: more would only seem exact."""
    return float(f"{amount:.3g}")
