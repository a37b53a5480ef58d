"""Corrections that a person has stated in ledger.toml, and those that the tables propose: the tool never applies one by itself."""

import json
import math
from collections.abc import Sequence
from datetime import date
from typing import Any, NamedTuple

import polars as pl

from pipeline.agreement.device_setup.misalignment import (
    FLIGHT_FT,
    FPS_PER_MPH,
    FRONT_EDGE_FT,
    RUBBER_FT,
    USUAL_EXTENSION_FT,
    USUAL_FALL_FT,
    USUAL_SLOPE_DOWN,
    bends_ft,
    slope_from_ends,
    usual_flight_s,
)
from pipeline.agreement.wording import alarm_sentence, setup_sentence
from pipeline.physics.flight import G_FPS2
from schemas.agreement import PROPOSED_CORRECTIONS
from schemas.drift import OWN_HISTORY
from schemas.metrics import METRICS, TRAJECTORY
from schemas.sightings import CORRECTIONS_TYPE

_USUAL_FLIGHT_S, _USUAL_RELEASE_HEIGHT_FT, _USUAL_PLATE_HEIGHT_FT = 0.42, 5.8, 2.4


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
    """Return the sightings with each correction added; `corrections` lists each changed reading with its raw value.

    A frame correction moves release point, plate location, approach angles and trajectory; a lean, a scale or a distance the breaks too, a lean the spin axis, a distance the flight time.
    Aim and tilt leave breaks as read: break is told from each pitch's own line of launch. What is left over by exact flights is in
    schemas/README.md, and tests/test_agreement_setup.py holds it to that.
    """
    raw = sightings
    for correction in corrections:
        changes = _metric_change(correction) if correction.metric else _frame_changes(correction)
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


def propose_corrections(drift: pl.DataFrame, setup: pl.DataFrame) -> pl.DataFrame:
    """The [[correction]] blocks that would undo the drifts whose mover is known, live or over, and the crooked setups, ready to paste."""
    live = drift.filter("alarm", "latest", "matters", pl.col("mover").is_not_null())
    # a mover has drifted against all others: the one of best rank, which comes first, says by how much
    once = live.unique(["mover", "metric"], keep="first", maintain_order=True)
    stretches = crooked_stretches(setup)
    of_drift = [_for_drift(row) for row in once.iter_rows(named=True) if not _is_turn(row, stretches)]
    of_past = [_for_drift(row)._replace(until_day=row["baseball_day"]) for row in drifts_over(drift)]
    rows = [(*found, toml_block(found)) for found in (*of_drift, *of_past, *map(_for_setup, stretches))]
    return pl.DataFrame(rows, schema=PROPOSED_CORRECTIONS.polars_schema(), orient="row")


def drifts_over(drift: pl.DataFrame) -> list[dict[str, Any]]:
    """Drifts against another tracker that matter and went back, in table `drift` (pairs in order of rank): the row of the last night of each.

    One that is no longer under alarm because it has become the usual level did not go back.
    """
    chart = ["tracker_a", "tracker_b", "metric"]
    of_pairs = drift.filter(pl.col("tracker_a") != OWN_HISTORY)
    after = pl.col("level").shift(-1).over(chart, order_by="baseball_day").alias("level_after")
    went_back = (pl.col("level_after") - pl.col("usual_bias")).abs() < (pl.col("level_after") - pl.col("level")).abs()
    told = of_pairs.with_columns(after).filter("alarm", "matters", pl.col("mover").is_not_null())
    last = told.filter(pl.col("baseball_day") == pl.col("baseball_day").max().over(*chart, "change_day"))
    over = last.filter(~pl.col("latest"), went_back)
    return over.unique(["mover", "metric", "change_day"], keep="first", maintain_order=True).to_dicts()


class CrookedStretch(NamedTuple):
    """Nights on which a tracker stood crooked in one way alike: the last row of table `setup`, the value over all, first and last day (None: all)."""

    row: dict[str, Any]
    value: float
    from_day: date | None
    until_day: date | None


def crooked_now(setup: pl.DataFrame, drift: pl.DataFrame) -> pl.DataFrame:
    """Of each tracker's crooked quantities in table `setup` (pairs in order of rank): the whole, where its nights agree, else its last night's.

    Against own history only what is under alarm still: the table has rows of nights under alarm only, and `drift` has the last night.
    """
    live = (
        drift.filter("alarm", "latest", tracker_a=OWN_HISTORY).select("tracker_a", "tracker_b", "baseball_day").unique()
    )
    of_pairs = setup.filter(pl.col("tracker_a") != OWN_HISTORY)
    still = setup.join(live, on=["tracker_a", "tracker_b", "baseball_day"], how="semi", maintain_order="left")
    told, whole = _told_and_whole(pl.concat([of_pairs, still]))
    last = told.filter("crooked", pl.col("baseball_day") == pl.col("baseball_day").max().over("tracker_b"))
    return pl.concat([whole, last.join(whole, on=["tracker_b", "quantity"], how="anti", maintain_order="left")])


def crooked_stretches(setup: pl.DataFrame) -> list[CrookedStretch]:
    """Everything in table `setup` (pairs in order of rank) that a correction could straighten: wholes, and runs of nights crooked alike."""
    told, whole = _told_and_whole(setup)
    found = [CrookedStretch(row, row["value"], None, None) for row in whole.iter_rows(named=True)]
    nights = told.drop_nulls("baseball_day").join(
        whole, on=["tracker_b", "quantity"], how="anti", maintain_order="left"
    )
    some = nights.filter(pl.col("crooked").any().over("tracker_b", "quantity"))
    in_order = some.sort("tracker_b", "quantity", "baseball_day", maintain_order=True)
    for rows in in_order.partition_by("tracker_b", "quantity", maintain_order=True):
        found += [_stretch(run) for run in _runs(rows.to_dicts()) if run[-1]["crooked"]]
    return found


def _runs(nights: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """Nights one after the other, parted where one is not crooked as the one before."""
    runs = list[list[dict[str, Any]]]()
    for row in nights:
        if not (runs and _alike(runs[-1][-1], row)):
            runs.append([])
        runs[-1].append(row)
    return runs


def _told_and_whole(setup: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Each tracker against the best-ranked one that tells; and the rows over all nights that are crooked where the nights agree."""
    told = setup.unique(["tracker_b", "quantity", "baseball_day"], keep="first", maintain_order=True)
    return told, told.filter(
        "crooked", pl.col("baseball_day").is_null(), pl.col("note").is_null(), pl.col("nights") > 1
    )


def _alike(before: dict[str, Any], row: dict[str, Any]) -> bool:
    """Whether two nights that follow each other are crooked in the same way; against own history a row holds its change's nights together."""
    if row["tracker_a"] == OWN_HISTORY or before["tracker_a"] == OWN_HISTORY:
        return bool(before["tracker_a"] == row["tracker_a"] and row["nights"] == before["nights"] + 1)
    near = abs(row["value"] - before["value"]) < 2.58 * math.hypot(row["se"], before["se"])
    return bool(row["crooked"] and before["crooked"] and near)


def _stretch(run: list[dict[str, Any]]) -> CrookedStretch:
    last = run[-1]
    if last["tracker_a"] == OWN_HISTORY:
        return CrookedStretch(last, last["value"], run[0]["baseball_day"], last["baseball_day"])
    weights = [1 / max(row["se"], 1e-9) ** 2 for row in run]
    value = sum(weight * row["value"] for weight, row in zip(weights, run, strict=True)) / sum(weights)
    return CrookedStretch(last, value, run[0]["baseball_day"], last["baseball_day"])


def _is_turn(row: dict[str, Any], stretches: list[CrookedStretch]) -> bool:
    """Whether a drift against own history is a turn of the frame, which has a correction of its own."""
    turn = {"release_side_ft": "aim_deg", "release_height_ft": "tilt_deg"}.get(row["metric"])
    return row["tracker_a"] == OWN_HISTORY and any(
        stretch.row["tracker_a"] == OWN_HISTORY
        and (stretch.row["tracker_b"], stretch.row["quantity"], stretch.until_day)
        == (row["tracker_b"], turn, row["baseball_day"])
        for stretch in stretches
    )


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

    # a reading that is there must not be lost for one beside it that is not
    release = moved(
        pl.col("release_side_ft").fill_null(0.0),
        RUBBER_FT - pl.col("extension_ft").fill_null(USUAL_EXTENSION_FT),
        pl.col("release_height_ft").fill_null(_USUAL_RELEASE_HEIGHT_FT),
    )
    plate = moved(
        pl.col("plate_side_ft").fill_null(0.0),
        pl.lit(FRONT_EDGE_FT),
        pl.col("plate_height_ft").fill_null(_USUAL_PLATE_HEIGHT_FT),
    )
    across, down = _slopes_at_plate()
    along_y = plate[1] + distance
    place = moved(*(pl.col(f"trajectory_{axis}_ft") for axis in "xyz"))
    shifts = dict(zip("xyz", (side, distance, height), strict=True))
    changes = {
        "release_side_ft": pl.col("release_side_ft") + release[0] + side,
        "extension_ft": pl.col("extension_ft") - release[1] - distance,
        "release_height_ft": pl.col("release_height_ft") + release[2] + height,
        "plate_side_ft": pl.col("plate_side_ft") + plate[0] + side - across * along_y,
        "plate_height_ft": pl.col("plate_height_ft") + plate[2] + height - down * along_y,
        "horizontal_approach_deg": pl.col("horizontal_approach_deg") - math.degrees(aim) - math.degrees(roll) * down,
        "vertical_approach_deg": pl.col("vertical_approach_deg") - math.degrees(tilt) + math.degrees(roll) * across,
    }
    changes |= _break_changes(roll, scale) | (_plane_changes(distance) if distance else {})
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


def _plane_changes(distance: float) -> dict[str, pl.Expr]:
    """What follows where the front edge lies elsewhere on the flight by `distance` feet: breaks grow with the time squared, angles by the bend."""
    flight_s, gap = _flight_s(), _gap()
    at_plate_fps = FPS_PER_MPH * pl.coalesce("plate_speed_mph", 0.92 * pl.col("release_speed_mph"))
    longer_s = (distance / at_plate_fps).fill_null(distance * _USUAL_FLIGHT_S / FLIGHT_FT)
    grows = (1 + longer_s / flight_s) ** 2
    bends = _bends()
    # a flight's slope turns by 2 bend / length squared a foot, a little more at the plate where it is slower
    turns = [2 * bend / gap**2 / 0.92 * distance for bend in bends]
    return {
        "horizontal_break_in": pl.col("horizontal_break_in") * grows,
        "induced_vertical_break_in": pl.col("induced_vertical_break_in") * grows,
        "horizontal_approach_deg": pl.col("horizontal_approach_deg") + turns[0].degrees(),
        "vertical_approach_deg": pl.col("vertical_approach_deg") + turns[1].degrees(),
        "flight_time_s": pl.col("flight_time_s") + longer_s,
    }


def _gap() -> pl.Expr:
    return RUBBER_FT - FRONT_EDGE_FT - pl.col("extension_ft").fill_null(USUAL_EXTENSION_FT)


def _bends() -> tuple[pl.Expr, pl.Expr]:
    sideways, down = bends_ft(pl.col("horizontal_break_in"), pl.col("induced_vertical_break_in"), _flight_s())
    return sideways.fill_null(0.0), down.fill_null(USUAL_FALL_FT)


def _flight_s() -> pl.Expr:
    return pl.coalesce("flight_time_s", usual_flight_s(pl.col("release_speed_mph"))).fill_null(_USUAL_FLIGHT_S)


def _slopes_at_plate() -> tuple[pl.Expr, pl.Expr]:
    """The flight's slopes dx/dy, dz/dy at the plate: by its approach angles, else from its two ends and what it bends, else the usual ones."""
    gap, (sideways, down) = _gap(), _bends()
    across = slope_from_ends(pl.col("release_side_ft"), pl.col("plate_side_ft"), sideways, gap)
    falls = slope_from_ends(pl.col("release_height_ft"), pl.col("plate_height_ft"), down, gap)
    told = (-pl.col(f"{way}_approach_deg").radians().tan() for way in ("horizontal", "vertical"))
    usual = (pl.lit(0.0), pl.lit(USUAL_SLOPE_DOWN))
    slopes = [pl.coalesce(*ways) for ways in zip(told, (across, falls), usual, strict=True)]
    return slopes[0], slopes[1]


def _break_changes(roll: float, scale: float) -> dict[str, pl.Expr]:
    """A frame that leans takes part of the whole fall, gravity's too, for horizontal break: 0.4 in a degree on average, 1 in at most."""
    flight_s = _flight_s()
    horizontal, vertical = pl.col("horizontal_break_in"), pl.col("induced_vertical_break_in")
    fall = vertical.fill_null(0.0) - 12 * G_FPS2 * flight_s**2 / 2
    changes = {
        "horizontal_break_in": horizontal + scale * horizontal + roll * fall,
        "induced_vertical_break_in": vertical + scale * fall - roll * horizontal.fill_null(0.0),
        # the active spin pushes toward (sin a, -cos a), which the lean turns
        "spin_axis_deg": (pl.col("spin_axis_deg") - math.degrees(roll)) % 360,
    }
    moves = {"horizontal_break_in": roll or scale, "induced_vertical_break_in": roll or scale, "spin_axis_deg": roll}
    return {name: change for name, change in changes.items() if moves[name]}


def _with_raw_values(sightings: pl.DataFrame, raw: pl.DataFrame) -> pl.DataFrame:
    """Fill `corrections`: each reading that differs from `raw`, row by row, with its raw value."""
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


def _for_setup(stretch: CrookedStretch) -> Correction:
    row = stretch.row
    amount = _rounded(-stretch.value)
    return Correction(
        row["tracker_b"], None, row["quantity"], amount, stretch.from_day, stretch.until_day, setup_sentence(row, {})
    )


def _rounded(amount: float) -> float:
    """To three significant figures: more would only seem exact."""
    return float(f"{amount:.3g}")
