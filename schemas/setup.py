"""How one tracker's frame lies on another's: was a device set up crooked."""

import polars as pl

from schemas.contract import Column, Contract, count, required

QUANTITIES = ("aim_deg", "tilt_deg", "roll_deg", "side_in", "height_in", "distance_in", "scale")

_UNIT = "degrees, inches or ratio, as the quantity's name says"

SETUP = Contract(
    "setup",
    "one way in which tracker_b's frame lies off tracker_a's, on one night or over all nights",
    ("tracker_a", "tracker_b", "baseball_day", "quantity"),
    (
        required(
            "tracker_a",
            pl.String,
            "the tracker of better rank, whose frame is taken for straight; 'own history': the same pitchers' earlier nights on tracker_b "
            "itself, where its chart (table drift) says that it moved",
        ),
        required("tracker_b", pl.String, "the other tracker"),
        Column("baseball_day", pl.Date, "local date at the venue; null: all nights together"),
        required(
            "quantity",
            pl.String,
            "aim_deg: turn about the vertical, positive when b's line to the mound points toward third base; tilt_deg: positive when that line points "
            "down at the mound; roll_deg: positive when b leans toward third base; side_in, height_in: b's readings minus a's at the plate, to the "
            "catcher's right and up; distance_in: how much too far from the plate b reads; scale: b's lengths over a's, less 1",
            "",
            QUANTITIES,
        ),
        Column("value", pl.Float64, "the quantity", _UNIT),
        Column("low", pl.Float64, "lower end of its 95 % interval", _UNIT),
        Column("high", pl.Float64, "upper end of its 95 % interval", _UNIT),
        Column("se", pl.Float64, "its standard error", _UNIT, True, (), 0.0),
        count("n", "pitches that both saw", "pitches"),
        count("nights", "baseball days among them", "nights"),
        Column("at_rubber_in", pl.Float64, "what a turn makes at the rubber", "in"),
        required(
            "crooked",
            pl.Boolean,
            "large enough to matter and not by chance (false discoveries under 5 % of those flagged)",
        ),
        Column("note", pl.String, "what to know before using the row"),
        Column(
            "sentence",
            pl.String,
            "the row in words that a person can act on, trackers by id; null for a night that is not crooked",
        ),
    ),
    order=("tracker_a", "tracker_b", "baseball_day", "quantity"),
)
