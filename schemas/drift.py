"""Drift: the night since which the difference of two trackers has changed."""

import polars as pl

from schemas.agreement import measured, pair_columns, spread
from schemas.contract import Column, Contract, baseball_day, count, required

# the value of tracker_a if a tracker is compared with its own pitchers' earlier nights instead of another tracker
OWN_HISTORY = "own history"

DRIFT = Contract(
    "drift",
    "the difference of two trackers in one metric on one night, with the result of the control chart; if no other tracker gives the metric on "
    "most nights, tracker_a is 'own history' and the comparison is with the same pitchers' earlier nights on the tracker itself",
    ("tracker_a", "tracker_b", "metric", "baseball_day"),
    (
        *pair_columns(),
        baseball_day(),
        count("n", "pitches that both measured that night", "pitches"),
        measured(
            "night_bias",
            "center of that night's differences b minus a (Huber's estimate, which a misread pitch hardly changes)",
        ),
        spread("se", "its standard error from the pitches within the night"),
        spread(
            "between_nights_sd",
            "standard deviation between nights beyond that, one value per chart; null for own history",
        ),
        measured(
            "ewma",
            "exponentially weighted moving average (EWMA) of the night's score; null if the chart has too few nights, and for own history",
            "standard deviations",
        ),
        measured("ewma_low", "lower control limit of the EWMA", "standard deviations"),
        measured(
            "ewma_high",
            "upper control limit of the EWMA; together with change_p it gives one false alarm in 200 nights over all charts",
            "standard deviations",
        ),
        Column(
            "change_p",
            pl.Float64,
            "p value of the change, over all possible dates; null if the chart has too few nights",
            "ratio",
            True,
            (),
            0.0,
            1.0,
        ),
        measured("usual_bias", "usual difference: its level over the longest period so far"),
        measured("level", "level of the difference since the last change"),
        required("alarm", pl.Boolean, "whether an alarm was active that night"),
        required("latest", pl.Boolean, "whether this is the last night of the chart"),
        Column("change_day", pl.Date, "first night after the change, estimated"),
        Column("change_low", pl.Date, "earliest night of the change (95 % confidence)"),
        Column("change_high", pl.Date, "latest night of the change (95 % confidence)"),
        measured("size", "level minus usual_bias"),
        Column("nights_since", pl.UInt32, "nights since the change, including this one", "nights"),
        Column("pitches_since", pl.UInt32, "pitches since the change", "pitches"),
        Column(
            "mover",
            pl.String,
            "the tracker that changed; null if unknown (always unknown for speed and spin compared with own history)",
        ),
        Column("mover_how", pl.String, "why that tracker, or why it is unknown"),
        Column("matters", pl.Boolean, "whether the change is at least a quarter of the metric's tolerance"),
        Column("sentence", pl.String, "the alarm in words, trackers by id"),
    ),
    order=("tracker_a", "tracker_b", "metric", "baseball_day"),
)
