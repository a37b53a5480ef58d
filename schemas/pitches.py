"""The pitches: one real throw to the plate each, with the values that were preferred, and where these came from."""

import polars as pl

from schemas.contract import UTC_TIME, Column, Contract, count, metric_columns, required, share
from schemas.metrics import METRICS, OCCASIONS
from schemas.sightings import SITUATION

PITCHES = Contract(
    "pitches",
    "one real throw to the plate, however many trackers saw it",
    ("pitch_id",),
    (
        required("pitch_id", pl.String, "p and 16 hex digits; an older id resolves by table pitch_aliases"),
        required("session_id", pl.String, "the session (table sessions)"),
        Column("outing_id", pl.String, "the pitcher's work in the session (table outings)"),
        required("venue", pl.String, "the ball park or practice ground"),
        Column("station", pl.String, "the mound; null where not known"),
        Column("occasion", pl.String, "kind of session", "", True, OCCASIONS),
        required("baseball_day", pl.Date, "local date at the venue; a day turns over at 04:00"),
        required("season", pl.Int32, "calendar year of the baseball day", "year"),
        required("month", pl.Int8, "month of the baseball day", "month"),
        count("pitch_number", "place in the session's order of pitches, from 1", "pitches"),
        Column(
            "thrown_at",
            UTC_TIME,
            "time by the reference clock (of the best-ranked tracker whose stamps are 2 s or finer), corrected; null where no tracker wrote one",
            "UTC",
        ),
        Column("thrown_at_by", pl.String, "the tracker whose stamp it is"),
        required("seen_by", pl.UInt8, "trackers that saw it", "trackers"),
        required("trackers", pl.String, "their names, best rank first, with commas"),
        share(
            "match_probability",
            "probability that its sightings are one pitch; for a pitch seen once, that it is rightly alone; double_triggers lower it",
            nullable=False,
        ),
        required(
            "doubtful", pl.Boolean, "match_probability is below the ledger's doubtful_below: a person should look"
        ),
        Column(
            "stands_apart", pl.String, "readings too far from the others to be preferred: tracker:metric, with commas"
        ),
        *SITUATION,
        required("label_conflict", pl.Boolean, "trackers name different pitch type"),
        required("pitcher_conflict", pl.Boolean, "trackers name different pitchers, and no person has said who threw"),
        *metric_columns(),
    ),
    order=("baseball_day", "session_id", "pitch_number"),
)

PITCH_VALUES = Contract(
    "pitch_values",
    "one metric of one pitch: the preferred value and where it came from",
    ("pitch_id", "metric"),
    (
        required("pitch_id", pl.String, "the pitch (table pitches)"),
        required("baseball_day", pl.Date, "local date at the venue; a day turns over at 04:00"),
        required("metric", pl.String, "the metric: a column of pitches", "", tuple(METRICS)),
        Column("value", pl.Float64, "the preferred value; null where every reading stands apart", "the metric's unit"),
        required(
            "policy",
            pl.String,
            "how it was preferred: one tracker by rank, readings blended by their precision, or their median",
            "",
            ("prefer", "blend", "median"),
        ),
        Column("trackers", pl.String, "whose reading(s) it is made of, with commas"),
        required("seen_by", pl.UInt8, "trackers that read this metric", "trackers"),
        Column("lowest", pl.Float64, "lowest reading", "the metric's unit"),
        Column("highest", pl.Float64, "highest reading", "the metric's unit"),
        Column(
            "spread",
            pl.Float64,
            "highest minus lowest reading; the way round for an angle",
            "the metric's unit",
            True,
            (),
            0.0,
        ),
        Column(
            "uncertainty",
            pl.Float64,
            "one standard deviation of the preferred value; null where not known",
            "the metric's unit",
            True,
            (),
            0.0,
        ),
        Column("stands_apart", pl.String, "trackers whose reading is too far from the others, with commas"),
    ),
    order=("baseball_day",),
)

PITCH_ALIASES = Contract(
    "pitch_aliases",
    "an id that a pitch had, or could have had, before late files regrouped its sightings",
    ("old_pitch_id",),
    (
        required("old_pitch_id", pl.String, "an id that is not, or no more, one of table pitches"),
        Column("pitch_id", pl.String, "the pitch it leads to; null where it was no pitch"),
        required("baseball_day", pl.Date, "local date at the venue of the sighting that the id was made of"),
        Column("since", UTC_TIME, "when it was first led there", "UTC"),
    ),
)
