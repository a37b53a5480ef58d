"""Setup: how one tracker's frame is aligned with another's."""

import polars as pl

from schemas.contract import Column, Contract, count, required

QUANTITIES = ("aim_deg", "tilt_deg", "roll_deg", "side_in", "height_in", "distance_in", "scale")

# Metrics that each quantity moves by a tenth of their tolerance or more where it is just large enough to count as crooked.
MOVED_METRICS: dict[str, tuple[str, ...]] = {
    "aim_deg": ("release_side_ft", "horizontal_approach_deg"),
    "tilt_deg": ("release_height_ft", "vertical_approach_deg"),
    "roll_deg": (
        "horizontal_break_in",
        "release_height_ft",
        "release_side_ft",
        "plate_side_ft",
        "horizontal_approach_deg",
    ),
    "side_in": ("release_side_ft", "plate_side_ft"),
    "height_in": ("release_height_ft", "plate_height_ft"),
    "distance_in": ("extension_ft", "plate_height_ft", "flight_time_s"),
    "scale": ("induced_vertical_break_in", "release_height_ft", "extension_ft"),
}

_UNIT = "degrees, inches or ratio, as the quantity's name says"

SETUP = Contract(
    "setup",
    "one quantity of the misalignment of tracker_b's frame with tracker_a's, on one night or over all nights",
    ("tracker_a", "tracker_b", "baseball_day", "quantity"),
    (
        required(
            "tracker_a",
            pl.String,
            "the tracker with the better rank, whose frame is the reference; 'own history': the same pitchers' earlier nights on tracker_b "
            "itself, if its chart (table drift) says that it moved",
        ),
        required("tracker_b", pl.String, "the other tracker"),
        Column("baseball_day", pl.Date, "local date at the venue; null: all nights together"),
        required(
            "quantity",
            pl.String,
            "aim_deg: rotation about the vertical, positive if b's line to the mound points toward third base; tilt_deg: positive if that line points "
            "down at the mound; roll_deg: positive if b leans toward third base; side_in, height_in: b's readings minus a's at the plate, to the "
            "catcher's right and up; distance_in: how much too far from the plate b reads; scale: b's lengths divided by a's, minus 1",
            "",
            QUANTITIES,
        ),
        Column("value", pl.Float64, "value of the quantity", _UNIT),
        Column("low", pl.Float64, "lower end of its 95 % confidence interval", _UNIT),
        Column("high", pl.Float64, "upper end of its 95 % confidence interval", _UNIT),
        Column("se", pl.Float64, "its standard error", _UNIT, True, (), 0.0),
        count("n", "pitches that both saw", "pitches"),
        count("nights", "baseball days with such pitches", "nights"),
        Column("at_rubber_in", pl.Float64, "sideways or vertical shift at the rubber that the rotation causes", "in"),
        required(
            "crooked",
            pl.Boolean,
            "whether it is large enough to matter and not by chance (false discovery rate below 5 %)",
        ),
        Column("note", pl.String, "a caution for this row"),
        Column(
            "sentence",
            pl.String,
            "the row as a sentence, with tracker ids; null for a night without misalignment",
        ),
    ),
    order=("tracker_a", "tracker_b", "baseball_day", "quantity"),
)
