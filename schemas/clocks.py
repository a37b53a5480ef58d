"""What the matching learned: clocks, how trackers read against each other, runs of wrong labels."""

import polars as pl

from schemas.contract import Column, Contract, count, required, share
from schemas.metrics import METRICS

CLOCKS = Contract(
    "clocks",
    "one tracker's clock at one station on one baseball day, against the reference tracker's",
    (),
    (
        required("venue", pl.String, "the ball park or practice ground"),
        required("station", pl.String, "the mound"),
        required("baseball_day", pl.Date, "local date at the venue; a day turns over at 04:00"),
        required("tracker", pl.String, "the tracker"),
        Column("reference_tracker", pl.String, "the tracker whose clock it is measured by"),
        Column("file_id", pl.String, "the export (table files)"),
        Column("native_session", pl.String, "the tracker's own id of the session"),
        Column("offset_start_s", pl.Float64, "this clock minus the reference at the session's start", "s"),
        Column("offset_end_s", pl.Float64, "this clock minus the reference at the session's end", "s"),
        Column("drift_ppm", pl.Float64, "how much faster this clock runs", "ppm"),
        count("steps", "times that the clock was set during the session", "steps"),
        Column("step_sizes_s", pl.String, "the steps, with commas", "s"),
        Column("residual_sd_s", pl.Float64, "standard deviation of time gaps after correction", "s"),
        Column("offset_error_s", pl.Float64, "one standard deviation of the offset", "s"),
        Column("resolution_s", pl.Float64, "step of the clock; null for a clock without time of day", "s"),
        count("matched", "sightings matched to the reference", "sightings"),
        count("only_this", "sightings that the reference has not", "sightings"),
        count("only_reference", "the reference's sightings that this tracker has not", "sightings"),
        share("same_session_probability", "probability that both trackers saw this session at all"),
        Column(
            "expected_wrong_merges",
            pl.Float64,
            "merges to be expected wrong, by the matches' own probabilities",
            "pitches",
            True,
            (),
            0.0,
        ),
        required("hour_slip", pl.Boolean, "whether the clock is a whole hour off (daylight saving)"),
        Column("verdict", pl.String, "what this means, in words"),
    ),
    order=("baseball_day", "venue", "station", "tracker"),
)

CALIBRATION = Contract(
    "calibration",
    "how one tracker reads a metric against another on one baseball day, as the matching learned it",
    (),
    (
        required("tracker_a", pl.String, "the tracker of better rank"),
        required("tracker_b", pl.String, "the other tracker"),
        required("baseball_day", pl.Date, "local date at the venue; a day turns over at 04:00"),
        required("metric", pl.String, "the metric: a column of sightings", "", tuple(METRICS)),
        count("n", "pairs it was learned from", "pairs"),
        Column("bias", pl.Float64, "reading of b minus reading of a, typical", "the metric's unit"),
        Column(
            "spread",
            pl.Float64,
            "standard deviation of the difference, misreadings left out",
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
    "a run of pitches whose pitcher label is likely wrong or stale, with the label proposed for it",
    (),
    (
        required("tracker", pl.String, "the tracker with the doubtful label"),
        required("baseball_day", pl.Date, "local date at the venue; a day turns over at 04:00"),
        required("file_id", pl.String, "the export (table files)"),
        Column("label", pl.String, "the label as it stands"),
        required("first_sighting_id", pl.String, "first sighting of the run"),
        required("last_sighting_id", pl.String, "last sighting of the run"),
        count("pitches", "pitches in the run", "pitches"),
        required(
            "sighting_ids",
            pl.String,
            "the sightings of the run in the device's order, with commas between (string_split(sighting_ids, ',') lists them); others may stand between them",
        ),
        Column("proposed_label", pl.String, "the label that another tracker has for one of them or more"),
        Column("proposed_player_id", pl.String, "the player of that label"),
        share("probability", "probability that the label is wrong and the proposed one right"),
    ),
    order=("tracker", "file_id", "first_sighting_id"),
)
