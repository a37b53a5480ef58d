"""How far trackers are apart, and how much of it is each one's own error."""

import polars as pl

from schemas.contract import Column, Contract, count, required, share
from schemas.metrics import METRICS

OWN_UNIT = "the metric's unit"


def pair_columns() -> tuple[Column, ...]:
    """The two trackers that a row compares, and the metric."""
    return (
        required("tracker_a", pl.String, "the tracker of better rank"),
        required("tracker_b", pl.String, "the other tracker; differences are b minus a"),
        required("metric", pl.String, "the metric: a column of sightings", "", tuple(METRICS)),
    )


def measured(name: str, definition: str, unit: str = OWN_UNIT) -> Column:
    """A number that may be null where there is too little to tell."""
    return Column(name, pl.Float64, definition, unit)


def spread(name: str, definition: str, unit: str = OWN_UNIT) -> Column:
    """A number that is never below 0."""
    return Column(name, pl.Float64, definition, unit, True, (), 0.0)


AGREEMENT = Contract(
    "agreement",
    "how far two trackers are apart in one metric, over all pitches that both saw or over one slice of them",
    ("tracker_a", "tracker_b", "metric", "slice_by", "slice"),
    (
        *pair_columns(),
        required(
            "slice_by",
            pl.String,
            "what the pitches are sliced by",
            "",
            ("all", "pitch_type", "month", "station", "before_corrections"),
        ),
        required("slice", pl.String, "the slice: a pitch type, a month as 2026-10, a station; empty for all"),
        count("n", "pitches that both measured", "pitches"),
        count("nights", "baseball days among them", "nights"),
        measured("bias", "mean of b minus a (direction of the mean for an angle)"),
        measured("bias_low", "lower end of the bias's 95 % interval, nights being what repeats"),
        measured("bias_high", "upper end of the bias's 95 % interval"),
        spread("sd", "standard deviation of the differences, from night to night and within nights together"),
        spread("sd_between_nights", "the part of it from night to night"),
        spread("sd_within_nights", "the part of it within a night"),
        measured("loa_low", "lower 95 % limit of agreement: bias - 1.96 sd"),
        measured("loa_low_low", "lower end of that limit's 95 % interval"),
        measured("loa_low_high", "upper end of that limit's 95 % interval"),
        measured("loa_high", "upper 95 % limit of agreement: bias + 1.96 sd"),
        measured("loa_high_low", "lower end of that limit's 95 % interval"),
        measured("loa_high_high", "upper end of that limit's 95 % interval"),
        required("interval_method", pl.String, "how the limits and their intervals were found"),
        measured(
            "slope",
            "slope of b on a, errors in both (Deming); 1 where the bias does not grow with the reading",
            "ratio",
        ),
        measured("slope_low", "lower end of the slope's 95 % interval", "ratio"),
        measured("slope_high", "upper end of the slope's 95 % interval", "ratio"),
        measured("intercept", "b where a is 0, by the same line"),
        measured("intercept_low", "lower end of the intercept's 95 % interval"),
        measured("intercept_high", "upper end of the intercept's 95 % interval"),
        spread(
            "error_ratio",
            "error variance of a over that of b that the line was given: from table precision, else 1",
            "ratio",
        ),
        required("regression_method", pl.String, "how the line's intervals were found"),
        Column(
            "concordance",
            pl.Float64,
            "Lin's concordance coefficient; depends on how far the pitches themselves spread",
            "ratio",
            True,
            (),
            -1.0,
            1.0,
        ),
        Column("concordance_low", pl.Float64, "lower end of its 95 % interval", "ratio", True, (), -1.0, 1.0),
        Column("concordance_high", pl.Float64, "upper end of its 95 % interval", "ratio", True, (), -1.0, 1.0),
        spread("tolerance", "difference beyond which the two are said to disagree ([tolerance] in ledger.toml)"),
        share("share_beyond", "share of pitches that differ by more than the tolerance"),
        measured("robust_bias", "median of b minus a"),
        spread("robust_sd", "1.4826 x median distance from the median: the spread if misreadings are left out"),
        required(
            "same_quantity",
            pl.Boolean,
            "false where the two measure the metric in different ways, so that the difference is not all error",
        ),
        required("small_n", pl.Boolean, "too few pitches or nights to say much"),
        Column("note", pl.String, "what to know before using the row"),
    ),
    order=("tracker_a", "tracker_b", "metric", "slice_by", "slice"),
)

PRECISION = Contract(
    "precision",
    "one tracker's own error in one metric, a constant bias not in it",
    ("tracker", "metric"),
    (
        required("tracker", pl.String, "the tracker"),
        required("metric", pl.String, "the metric: a column of sightings", "", tuple(METRICS)),
        spread(
            "own_error_sd",
            "standard deviation of its own errors, misread pitches and night-to-night wander in it; null where it can't be told from 0",
        ),
        spread("low", "lower end of its 95 % interval, cut at 0"),
        spread("high", "upper end of its 95 % interval: where own_error_sd is null, the error is under this"),
        measured("variance", "the estimate as it came out, which may be negative", "the metric's unit squared"),
        spread("variance_se", "standard error of that estimate", "the metric's unit squared"),
        count("n", "pitches that it was estimated from", "pitches"),
        count("nights", "baseball days among them", "nights"),
        required("beside", pl.String, "the trackers that it was compared with, with commas"),
        required("method", pl.String, "how the interval was found", "", ("pivots over nights", "formula", "none")),
        Column("note", pl.String, "what to know before using the row"),
    ),
    order=("metric", "tracker"),
)

SELECTION = Contract(
    "selection",
    "one pair and metric: agreement over all matched pitches beside that over pairs which clock and order alone would match",
    ("tracker_a", "tracker_b", "metric"),
    (
        *pair_columns(),
        count("n_matched", "matched pairs that both measured", "pitches"),
        measured("bias_matched", "mean of b minus a over them"),
        spread("sd_matched", "standard deviation of the differences"),
        share("share_beyond_matched", "share of them that differ by more than the tolerance"),
        count("n_by_clock", "pairs that clock and order alone would match, kept apart or not", "pairs"),
        measured("bias_by_clock", "mean of b minus a over them"),
        spread("sd_by_clock", "standard deviation of the differences"),
        share("share_beyond_by_clock", "share of them that differ by more than the tolerance"),
        count("kept_apart", "pairs among them that the matching kept apart, by their readings or labels", "pairs"),
        Column("verdict", pl.String, "how far the matching can have flattered the agreement, in words"),
    ),
    order=("tracker_a", "tracker_b", "metric"),
)

PROPOSED_CORRECTIONS = Contract(
    "proposed_corrections",
    "a correction that would undo a drift or a crooked setup: for a person to weigh, never applied by itself",
    (),
    (
        required("tracker", pl.String, "the tracker to be corrected"),
        Column("metric", pl.String, "the metric to be corrected, or null", "", True, tuple(METRICS)),
        Column("frame", pl.String, "the quantity of table setup to be corrected, or null"),
        Column("amount", pl.Float64, "what would be added", "the unit of metric or frame"),
        Column("from_day", pl.Date, "first baseball day; null: from the beginning"),
        Column("until_day", pl.Date, "last baseball day; null: until further notice"),
        Column("why", pl.String, "what was seen"),
        Column("block", pl.String, "the block to paste into ledger.toml"),
    ),
    order=("tracker", "metric", "frame", "from_day"),
)
