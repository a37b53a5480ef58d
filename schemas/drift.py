"""Since when two trackers differ otherwise than they used to."""

import polars as pl

from schemas.agreement import measured, pair_columns, spread
from schemas.contract import Column, Contract, count, required

# Stands in tracker_a where a tracker is compared with its own pitchers' earlier nights instead of another tracker.
OWN_HISTORY = "own history"

DRIFT = Contract(
    "drift",
    "the difference of two trackers in one metric on one night, with the control chart's verdict; where no other tracker gives the metric on most "
    "nights, tracker_a is 'own history' and the difference is from the same pitchers' earlier nights on the tracker itself",
    ("tracker_a", "tracker_b", "metric", "baseball_day"),
    (
        *pair_columns(),
        required("baseball_day", pl.Date, "local date at the venue; a day turns over at 04:00"),
        count("n", "pitches that both measured that night", "pitches"),
        measured(
            "night_bias",
            "centre of that night's differences b minus a (Huber's estimate: a misread pitch hardly moves it)",
        ),
        spread("se", "standard error of it from the pitches within the night"),
        spread(
            "between_nights_sd",
            "how far nights lie apart beyond that: one figure for the whole chart; null for own history",
        ),
        measured(
            "ewma",
            "smoothed score of the night against those before it; null where the chart has too few nights, and for own history",
            "standard deviations",
        ),
        measured("ewma_low", "lower limit of the smoothed score", "standard deviations"),
        measured(
            "ewma_high",
            "upper limit of the smoothed score; with change_p one false alarm in 200 nights over all charts together",
            "standard deviations",
        ),
        Column(
            "change_p",
            pl.Float64,
            "how likely as clear a change comes by chance, all dates tried; null where the chart has too few nights",
            "ratio",
            True,
            (),
            0.0,
            1.0,
        ),
        measured("usual_bias", "what the difference usually is: its level over the longest stretch so far"),
        measured("level", "the difference's level since the last change"),
        required("alarm", pl.Boolean, "whether an alarm was live that night"),
        required("latest", pl.Boolean, "whether this is the last night of the chart"),
        Column("change_day", pl.Date, "first night after the change, estimated"),
        Column("change_low", pl.Date, "earliest night it may have been (95 %)"),
        Column("change_high", pl.Date, "latest night it may have been (95 %)"),
        measured("size", "level minus usual_bias"),
        Column("nights_since", pl.UInt32, "nights since the change, this one in it", "nights"),
        Column("pitches_since", pl.UInt32, "pitches since the change", "pitches"),
        Column(
            "mover",
            pl.String,
            "the tracker that moved; null where it can't be told (of speed and spin against own history it never can)",
        ),
        Column("mover_how", pl.String, "how that is known, or why it is not"),
        Column("matters", pl.Boolean, "whether the change is a quarter of the metric's tolerance or more"),
        Column("sentence", pl.String, "the alarm in words, trackers by id"),
    ),
    order=("tracker_a", "tracker_b", "metric", "baseball_day"),
)
