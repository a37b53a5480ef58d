"""What the matching learned: clocks, differences of readings, and runs of wrong labels."""

import polars as pl

from schemas.contract import Column, Contract, baseball_day, count, required, share
from schemas.metrics import METRICS

CLOCKS = Contract(
    "clocks",
    "one tracker's clock at one station on one baseball day, compared with the reference tracker's clock",
    (),
    (
        required("venue", pl.String, "id of the ball park or practice ground"),
        required("station", pl.String, "id of the mound"),
        baseball_day(),
        required("tracker", pl.String, "the tracker"),
        Column("reference_tracker", pl.String, "the tracker whose clock is the reference"),
        Column("file_id", pl.String, "the export (table files)"),
        Column("native_session", pl.String, "the tracker's own id of the session"),
        Column("offset_start_s", pl.Float64, "this clock minus the reference at the session's start", "s"),
        Column("offset_end_s", pl.Float64, "this clock minus the reference at the session's end", "s"),
        Column("drift_ppm", pl.Float64, "drift: how much faster this clock runs", "ppm"),
        count("steps", "how often the clock was changed during the session", "steps"),
        Column("step_sizes_s", pl.String, "the changes, separated by commas", "s"),
        Column("residual_sd_s", pl.Float64, "standard deviation of the time gaps after correction", "s"),
        Column("offset_error_s", pl.Float64, "standard error of the offset", "s"),
        Column("resolution_s", pl.Float64, "resolution of the clock; null without a time of day", "s"),
        count("matched", "sightings matched to a sighting of the reference", "sightings"),
        count("only_this", "sightings that the reference does not have", "sightings"),
        count("only_reference", "sightings of the reference that this tracker does not have", "sightings"),
        share("same_session_probability", "probability that both trackers saw this session"),
        Column(
            "expected_wrong_merges",
            pl.Float64,
            "expected number of wrong merges, computed from the match probabilities",
            "pitches",
            True,
            (),
            0.0,
        ),
        required("hour_slip", pl.Boolean, "whether the clock is off by exactly one hour (daylight-saving time)"),
        Column("verdict", pl.String, "the conclusion in words"),
    ),
    order=("baseball_day", "venue", "station", "tracker"),
)

CALIBRATION = Contract(
    "calibration",
    "the difference of two trackers in one metric on one baseball day, as the matching learned it",
    (),
    (
        required("tracker_a", pl.String, "the tracker with the better rank"),
        required("tracker_b", pl.String, "the other tracker"),
        baseball_day(),
        required("metric", pl.String, "the metric: a column of table sightings", "", tuple(METRICS)),
        count("n", "sighting pairs used", "pairs"),
        Column("bias", pl.Float64, "typical difference: reading of b minus reading of a", "the metric's unit"),
        Column(
            "spread",
            pl.Float64,
            "standard deviation of the difference, without misreadings",
            "the metric's unit",
            True,
            (),
            0.0,
        ),
        share("outlier_share", "share of readings that are misreadings"),
    ),
    order=("baseball_day", "tracker_a", "tracker_b", "metric"),
)

LABEL_RUNS = Contract(
    "label_runs",
    "a run of pitches whose pitcher label is probably wrong or stale, with the proposed label",
    (),
    (
        required("tracker", pl.String, "the tracker with the doubtful label"),
        baseball_day(),
        required("file_id", pl.String, "the export (table files)"),
        Column("label", pl.String, "the label as written"),
        required("first_sighting_id", pl.String, "first sighting of the run"),
        required("last_sighting_id", pl.String, "last sighting of the run"),
        count("pitches", "pitches in the run", "pitches"),
        required(
            "sighting_ids",
            pl.String,
            "the sightings of the run in the device's order, separated by commas (string_split(sighting_ids, ',') gives a list); other sightings may come between them",
        ),
        Column("proposed_label", pl.String, "the label that another tracker has for at least one of them"),
        Column("proposed_player_id", pl.String, "the player with that label"),
        share("probability", "probability that the label is wrong and the proposed label is right"),
    ),
    order=("tracker", "file_id", "first_sighting_id"),
)
