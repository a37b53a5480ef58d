"""Pitches: one row per real throw to the plate, its preferred values and their sources."""

import polars as pl

from schemas.contract import UTC_TIME, Column, Contract, baseball_day, count, metric_columns, required, share
from schemas.metrics import METRICS, OCCASIONS
from schemas.sightings import SITUATION

PITCHES = Contract(
    "pitches",
    "one real throw to the plate, however many trackers saw it",
    ("pitch_id",),
    (
        required("pitch_id", pl.String, "p and 16 hex digits; table pitch_aliases resolves older ids"),
        required("session_id", pl.String, "the session (table sessions)"),
        Column("outing_id", pl.String, "the pitcher's work in the session (table outings)"),
        required("venue", pl.String, "id of the ball park or practice ground"),
        Column("station", pl.String, "id of the mound; null if unknown"),
        Column(
            "occasion", pl.String, "game, scrimmage, bullpen or live_bp (live batting practice)", "", True, OCCASIONS
        ),
        baseball_day(),
        required("season", pl.Int32, "calendar year of the baseball day", "year"),
        required("month", pl.Int8, "month of the baseball day", "month"),
        count("pitch_number", "number of the pitch within the session, from 1", "pitches"),
        Column(
            "thrown_at",
            UTC_TIME,
            "corrected time by the reference clock (that of the best-ranked tracker with stamps of 2 s or finer); null if no tracker wrote a time",
            "UTC",
        ),
        Column("thrown_at_by", pl.String, "the tracker whose stamp was used"),
        required("seen_by", pl.UInt8, "number of trackers that saw it", "trackers"),
        required("trackers", pl.String, "ids of the trackers that saw it, best rank first, separated by commas"),
        share(
            "match_probability",
            "probability that its sightings are one pitch; for a single sighting, that it is a pitch of its own; possible double triggers lower it",
            nullable=False,
        ),
        required(
            "doubtful",
            pl.Boolean,
            "whether match_probability is below doubtful_below of ledger.toml, so that it needs your review",
        ),
        Column(
            "outliers",
            pl.String,
            "readings too far from the others to be preferred, as tracker:metric, separated by commas",
        ),
        *SITUATION,
        required("label_conflict", pl.Boolean, "whether trackers name different pitch types"),
        required(
            "pitcher_conflict", pl.Boolean, "whether trackers name different pitchers and no thrown_by decision exists"
        ),
        *metric_columns(),
    ),
    order=("baseball_day", "session_id", "pitch_number"),
)

PITCH_VALUES = Contract(
    "pitch_values",
    "one metric of one pitch: the preferred value and its source",
    ("pitch_id", "metric"),
    (
        required("pitch_id", pl.String, "the pitch (table pitches)"),
        baseball_day(),
        required("metric", pl.String, "the metric: a column of table pitches", "", tuple(METRICS)),
        Column("value", pl.Float64, "the preferred value; null if every reading is an outlier", "the metric's unit"),
        required(
            "policy",
            pl.String,
            "how it was chosen; prefer: the reading of one tracker, by the policy's order and rank; blend: readings weighted by their precision",
            "",
            ("prefer", "blend"),
        ),
        Column("trackers", pl.String, "trackers whose readings it is made of, separated by commas"),
        required("seen_by", pl.UInt8, "number of trackers that measured this metric", "trackers"),
        Column("lowest", pl.Float64, "lowest reading", "the metric's unit"),
        Column("highest", pl.Float64, "highest reading", "the metric's unit"),
        Column(
            "spread",
            pl.Float64,
            "highest minus lowest reading; for an angle, around the circle",
            "the metric's unit",
            True,
            (),
            0.0,
        ),
        Column(
            "uncertainty",
            pl.Float64,
            "standard error of the preferred value; null if unknown",
            "the metric's unit",
            True,
            (),
            0.0,
        ),
        Column("outliers", pl.String, "trackers whose reading is too far from the others, separated by commas"),
    ),
    order=("baseball_day",),
)

PITCH_ALIASES = Contract(
    "pitch_aliases",
    "an id that a pitch had, or could have had, before later files regrouped its sightings",
    ("old_pitch_id",),
    (
        required("old_pitch_id", pl.String, "an id that is not, or no longer, in table pitches"),
        Column("pitch_id", pl.String, "the pitch that it resolves to; null if it was not a pitch"),
        required("baseball_day", pl.Date, "baseball day of the sighting that the id was made from"),
        Column("since", UTC_TIME, "when it first resolved to that pitch", "UTC"),
    ),
)
