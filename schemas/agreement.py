"""Agreement of trackers: bias, limits of agreement, and each tracker's own error."""

import polars as pl

from schemas.contract import Column, Contract, count, required, share
from schemas.metrics import METRICS

OWN_UNIT = "the metric's unit"


def pair_columns() -> tuple[Column, ...]:
    """Return the columns for the two trackers that a row compares, and the metric."""
    return (
        required("tracker_a", pl.String, "the tracker with the better rank"),
        required("tracker_b", pl.String, "the other tracker; differences are b minus a"),
        required("metric", pl.String, "the metric: a column of table sightings", "", tuple(METRICS)),
    )


def measured(name: str, definition: str, unit: str = OWN_UNIT) -> Column:
    """Return a column with a number, null if there is too little data."""
    return Column(name, pl.Float64, definition, unit)


def spread(name: str, definition: str, unit: str = OWN_UNIT) -> Column:
    """Return a column with a number that is never below 0."""
    return Column(name, pl.Float64, definition, unit, True, (), 0.0)


AGREEMENT = Contract(
    "agreement",
    "the difference of two trackers in one metric, over all pitches that both saw or over one slice of them",
    ("tracker_a", "tracker_b", "metric", "slice_by", "slice"),
    (
        *pair_columns(),
        required(
            "slice_by",
            pl.String,
            "how the pitches are sliced; before_corrections: all pitches, without the corrections of ledger.toml",
            "",
            ("all", "pitch_type", "month", "station", "before_corrections"),
        ),
        required(
            "slice", pl.String, "the slice: a pitch type, a month such as 2026-10, or a station; empty for all pitches"
        ),
        count("n", "pitches that both measured", "pitches"),
        count("nights", "baseball days with such pitches", "nights"),
        measured("bias", "mean of b minus a (for an angle: the circular mean)"),
        measured("bias_low", "lower end of the 95 % confidence interval of the bias; nights are the independent units"),
        measured("bias_high", "upper end of the 95 % confidence interval of the bias"),
        spread("sd", "standard deviation of the differences, between and within nights together"),
        spread("sd_between_nights", "its part between nights"),
        spread("sd_within_nights", "its part within nights"),
        measured("loa_low", "lower 95 % limit of agreement: bias - 1.96 sd"),
        measured("loa_low_low", "lower end of the 95 % confidence interval of that limit"),
        measured("loa_low_high", "upper end of the 95 % confidence interval of that limit"),
        measured("loa_high", "upper 95 % limit of agreement: bias + 1.96 sd"),
        measured("loa_high_low", "lower end of the 95 % confidence interval of that limit"),
        measured("loa_high_high", "upper end of the 95 % confidence interval of that limit"),
        required("interval_method", pl.String, "method of the limits and their intervals"),
        measured(
            "slope",
            "slope of b on a with errors in both (Deming regression); 1 means that the bias does not grow with the reading",
            "ratio",
        ),
        measured("slope_low", "lower end of the 95 % confidence interval of the slope", "ratio"),
        measured("slope_high", "upper end of the 95 % confidence interval of the slope", "ratio"),
        measured("intercept", "reading of b on that line where a reads 0"),
        measured("intercept_low", "lower end of the 95 % confidence interval of the intercept"),
        measured("intercept_high", "upper end of the 95 % confidence interval of the intercept"),
        spread(
            "error_ratio",
            "ratio of the error variances of a and b used for the line: from table precision, else 1",
            "ratio",
        ),
        required("regression_method", pl.String, "method of the intervals of slope and intercept"),
        Column(
            "concordance",
            pl.Float64,
            "Lin's concordance correlation coefficient; it also depends on how much the pitches themselves vary",
            "ratio",
            True,
            (),
            -1.0,
            1.0,
        ),
        Column(
            "concordance_low", pl.Float64, "lower end of its 95 % confidence interval", "ratio", True, (), -1.0, 1.0
        ),
        Column(
            "concordance_high", pl.Float64, "upper end of its 95 % confidence interval", "ratio", True, (), -1.0, 1.0
        ),
        spread("tolerance", "the trackers disagree if they differ by more ([tolerance] in ledger.toml)"),
        share("share_beyond", "share of pitches that differ by more than the tolerance"),
        required(
            "equivalence",
            pl.String,
            "agrees: the bias is within the tolerance (two one-sided tests at 5 %); different: its 95 % interval is beyond the tolerance; else "
            "not enough data. It judges the bias only: share_beyond and table drift judge single pitches and nights",
            "",
            ("agrees", "different", "not enough data"),
        ),
        measured(
            "more_nights",
            "about how many more nights like these would decide; null if decided, or if 200 more would not",
            "nights",
        ),
        measured("robust_bias", "median of b minus a"),
        spread("robust_sd", "1.4826 times the median absolute deviation: the standard deviation without misreadings"),
        required(
            "same_quantity",
            pl.Boolean,
            "false if the two measure the metric in different ways, so that the difference is not only error",
        ),
        required("small_n", pl.Boolean, "whether there are too few pitches or nights for a firm conclusion"),
        Column("note", pl.String, "a caution for this row"),
    ),
    order=("tracker_a", "tracker_b", "metric", "slice_by", "slice"),
)

PRECISION = Contract(
    "precision",
    "one tracker's own error in one metric, without its constant bias",
    ("tracker", "metric"),
    (
        required("tracker", pl.String, "the tracker"),
        required("metric", pl.String, "the metric: a column of table sightings", "", tuple(METRICS)),
        spread(
            "own_error_sd",
            "standard deviation of its own errors, with misreadings and changes from night to night; null if it cannot be distinguished from 0",
        ),
        spread("low", "lower end of its 95 % confidence interval, at least 0"),
        spread("high", "upper end of its 95 % confidence interval; if own_error_sd is null, the error is below this"),
        measured("variance", "the estimated error variance, which may be negative", "the metric's unit squared"),
        spread("variance_se", "standard error of that estimate", "the metric's unit squared"),
        count("n", "pitches used for the estimate", "pitches"),
        count("nights", "baseball days with such pitches", "nights"),
        required("compared_with", pl.String, "the trackers that it was compared with, separated by commas"),
        required("method", pl.String, "method of the interval", "", ("pivots over nights", "formula", "none")),
        Column("note", pl.String, "a caution for this row"),
    ),
    order=("metric", "tracker"),
)

SELECTION = Contract(
    "selection",
    "one tracker pair and metric: agreement over matched pitches, compared with pairs that the clock alone would match",
    ("tracker_a", "tracker_b", "metric"),
    (
        *pair_columns(),
        count("n_matched", "matched pairs that both measured", "pitches"),
        measured("bias_matched", "their mean of b minus a"),
        spread("sd_matched", "standard deviation of their differences"),
        share("share_beyond_matched", "share of them that differs by more than the tolerance"),
        count("n_by_clock", "pairs that the clock alone would match, merged or not", "pairs"),
        measured("bias_by_clock", "their mean of b minus a"),
        spread("sd_by_clock", "standard deviation of their differences"),
        share("share_beyond_by_clock", "share of them that differs by more than the tolerance"),
        count("kept_apart", "how many of these the matching did not merge, because of readings or labels", "pairs"),
        Column("verdict", pl.String, "how much the matching may have improved the agreement, in words"),
    ),
    order=("tracker_a", "tracker_b", "metric"),
)

MISMATCHES = (
    "sides_swapped",
    "upside_down",
    "half_turn",
    "quarter_turn",
    "quarter_turn_mirrored",
    "gravity",
    "gravity_upside_down",
    "unit",
    "unit_reversed",
)

CONVENTION_MISMATCHES = Contract(
    "convention_mismatches",
    "a metric that two trackers read by different conventions: a simple mistake explains nearly all of their difference",
    ("tracker_a", "tracker_b", "metric", "from_day"),
    (
        *pair_columns(),
        required(
            "explanation",
            pl.String,
            "how one reading follows from the other; sides_swapped: the sign of a sideways metric, or a spin axis from the other viewer; upside_down: "
            "the sign of another metric, or a spin axis with up and down swapped; half_turn, quarter_turn: a spin axis with another zero; gravity: "
            "one includes gravity's drop; unit: the ratio of two units",
            "",
            MISMATCHES,
        ),
        measured("ratio", "b divided by a, where the explanation is a unit", "ratio"),
        Column("written_unit", pl.String, "the unit that b's column seems to have, or a's column is taken for"),
        Column("stated_unit", pl.String, "the unit that b's column is taken for, or a's column seems to have"),
        required("from_day", pl.Date, "first baseball day with common pitches on which it holds"),
        required("until_day", pl.Date, "last baseball day with common pitches on which it holds"),
        required("latest", pl.Boolean, "whether that is the pair's last baseball day with this metric"),
        count("n", "pitches that both measured on these days", "pitches"),
        count("nights", "baseball days with such pitches", "nights"),
        spread("difference", "typical difference as read: bias and robust standard deviation in quadrature"),
        spread("remaining", "the same with the mistake undone"),
        Column("suspect", pl.String, "the tracker that reads it wrongly, where two other trackers show it"),
        required("sentence", pl.String, "the row as a sentence, with tracker ids"),
    ),
    order=("tracker_a", "tracker_b", "metric", "from_day"),
)

PROPOSED_CORRECTIONS = Contract(
    "proposed_corrections",
    "a proposed correction of a drift or a misaligned setup; a person decides, it is never applied by itself",
    (),
    (
        required("tracker", pl.String, "the tracker to correct"),
        Column("metric", pl.String, "the metric to correct, or null", "", True, tuple(METRICS)),
        Column("frame", pl.String, "the quantity of table setup to correct, or null"),
        Column("amount", pl.Float64, "the amount to add", "the unit of metric or frame"),
        Column("from_day", pl.Date, "first baseball day; null: from the first day"),
        Column("until_day", pl.Date, "last baseball day; null: no end"),
        Column("why", pl.String, "what was observed"),
        Column("block", pl.String, "the [[correction]] block to paste into ledger.toml"),
    ),
    order=("tracker", "metric", "frame", "from_day"),
)
