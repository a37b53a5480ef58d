"""Sightings: one tracker's record of one pitch, in the common schema."""

import polars as pl

from schemas.contract import (
    UTC_TIME,
    Column,
    Contract,
    baseball_day,
    metric_columns,
    required,
    share,
    trajectory_columns,
)
from schemas.metrics import BATTER_SIDES, HALVES, HANDS, OCCASIONS, PITCH_RESULTS, PITCH_TYPES, PLATE_APPEARANCE_RESULTS

PITCHER_BY = ("label", "person")
SITUATION = (
    Column("pitcher_label", pl.String, "the pitcher as the tracker names him, unchanged"),
    Column("pitcher_native_id", pl.String, "the tracker's own id of the pitcher"),
    Column("pitcher_id", pl.String, "the pitcher (table players); null while the label is undecided"),
    Column(
        "pitcher_by",
        pl.String,
        "source of pitcher_id: the label, or a person (thrown_by in decisions.csv)",
        "",
        True,
        PITCHER_BY,
    ),
    Column("pitcher_hand", pl.String, "the throwing hand", "", True, HANDS),
    Column("team_label", pl.String, "the pitcher's team as the tracker names it"),
    Column("batter_label", pl.String, "the batter as the tracker names him, unchanged"),
    Column("batter_native_id", pl.String, "the tracker's own id of the batter"),
    Column("batter_id", pl.String, "the batter (table players); null while the label is undecided"),
    Column("batter_side", pl.String, "the side from which he bats", "", True, BATTER_SIDES),
    Column("inning", pl.Int16, "inning, from 1", "innings", True, (), 0, 99),
    Column("half", pl.String, "top (visitors bat) or bottom of the inning", "", True, HALVES),
    Column("outs", pl.Int8, "outs before the pitch", "outs", True, (), 0, 3),
    Column("balls", pl.Int8, "balls before the pitch", "balls", True, (), 0, 4),
    Column("strikes", pl.Int8, "strikes before the pitch", "strikes", True, (), 0, 3),
    Column("pitch_type", pl.String, "pitch type", "", True, PITCH_TYPES),
    Column("pitch_type_by", pl.String, "who named the pitch type", "", True, ("operator", "tracker")),
    Column("pitch_result", pl.String, "result of the pitch", "", True, PITCH_RESULTS),
    Column(
        "plate_appearance_result",
        pl.String,
        "result of the plate appearance, if this pitch ended it",
        "",
        True,
        PLATE_APPEARANCE_RESULTS,
    ),
)

_WHERE = (
    required("sighting_id", pl.String, "s and 16 hex digits; computed from tracker and content, the same in every run"),
    required("tracker", pl.String, "the tracker that saw it"),
    required("file_id", pl.String, "the export that contains it (table files)"),
    required("file_row", pl.UInt32, "line or record number in the export, from 1"),
    required("file_order", pl.UInt32, "position in the export by time, oldest first"),
    required("venue", pl.String, "id of the ball park or practice ground"),
    Column("station", pl.String, "id of the mound; null if unknown, and then the sighting is not matched"),
    Column("station_by", pl.String, "source of the station", "", True, ("ledger", "export", "matching")),
    Column("occasion", pl.String, "game, scrimmage, bullpen or live_bp (live batting practice)", "", True, OCCASIONS),
    baseball_day(),
    Column("native_id", pl.String, "the tracker's own id of the pitch"),
    Column("native_session", pl.String, "the tracker's own id of the session"),
    Column("sequence", pl.Int64, "the tracker's own number of the pitch"),
    Column("thrown_at", UTC_TIME, "time by the tracker's own clock, not corrected", "UTC"),
    Column(
        "clock_resolution_s",
        pl.Float64,
        "resolution of the tracker's clock; null if it wrote no time of day",
        "s",
        True,
        (),
        0.0,
    ),
)

_MATCHED = (
    required("pitch_id", pl.String, "the pitch that this sighting belongs to (table pitches)"),
    share(
        "match_probability",
        "probability that it belongs to this pitch; for a single sighting, that it is a pitch of its own; possible double triggers lower it",
        nullable=False,
    ),
    required(
        "matched_by",
        pl.String,
        "model: the matching decided; person: decisions.csv; single: there was nothing to match with",
        "",
        ("model", "person", "single"),
    ),
)

# the readings of a sighting that a stated correction changed, each with its value before
CORRECTIONS_TYPE = pl.List(pl.Struct({"metric": pl.String, "raw_value": pl.Float64}))
_CORRECTED = (
    Column(
        "corrections",
        CORRECTIONS_TYPE,
        "each reading that a correction of ledger.toml changed, with its raw value; null if none",
    ),
)

_ORDER = ("baseball_day", "venue", "station", "tracker", "file_id", "file_row")

# the frame that the stages before matching pass on
SIGHTINGS_FRAME = Contract(
    "sightings (frame)",
    "one tracker's record of one pitch, not yet matched",
    ("sighting_id",),
    (*_WHERE, *SITUATION, *metric_columns(), *trajectory_columns(), *_CORRECTED),
    order=_ORDER,
)

# the table that is published
SIGHTINGS = Contract(
    "sightings",
    "one tracker's record of one pitch, in common units and definitions",
    ("sighting_id",),
    (_WHERE[0], *_MATCHED, *_WHERE[1:], *SITUATION, *metric_columns(), *trajectory_columns(), *_CORRECTED),
    order=_ORDER,
)

DOUBLE_TRIGGERS = Contract(
    "double_triggers",
    "two records of one tracker that are the same throw with a probability of at least 0.02",
    ("sighting_id", "kept_sighting_id"),
    (
        required("sighting_id", pl.String, "the record that (possibly) repeats the other"),
        required("kept_sighting_id", pl.String, "the record that is kept"),
        required("tracker", pl.String, "the tracker of both"),
        baseball_day(),
        share("probability", "probability that both are the same throw", nullable=False),
        required(
            "set_aside",
            pl.Boolean,
            "whether sighting_id is set aside (table set_aside); false: it is a pitch of its own",
        ),
        Column(
            "time_gap_s",
            pl.Float64,
            "time of sighting_id minus time of kept_sighting_id; null without a time of day",
            "s",
        ),
    ),
    order=("baseball_day", "tracker"),
)

MATCH_PAIRS = Contract(
    "match_pairs",
    "two sightings of two trackers that are one pitch with a probability of at least 0.02, or by a decision",
    ("sighting_a", "sighting_b"),
    (
        required("sighting_a", pl.String, "sighting of the tracker with the better rank"),
        required("sighting_b", pl.String, "sighting of the other tracker"),
        required("tracker_a", pl.String, "tracker of sighting_a"),
        required("tracker_b", pl.String, "tracker of sighting_b"),
        required("venue", pl.String, "id of the ball park or practice ground"),
        required("station", pl.String, "id of the mound"),
        baseball_day(),
        share("probability", "probability that both are one pitch", nullable=False),
        required("merged", pl.Boolean, "whether both are in one pitch"),
        required("decided_by", pl.String, "model or person (decisions.csv)", "", ("model", "person", "single")),
        Column("time_gap_s", pl.Float64, "time of b minus time of a after clock correction", "s"),
        Column(
            "time_evidence", pl.Float64, "evidence of the time: log-likelihood ratio, positive for one pitch", "nats"
        ),
        Column("reading_evidence", pl.Float64, "evidence of the readings, as above", "nats"),
        Column("label_evidence", pl.Float64, "evidence of pitcher, batter, count and results, as above", "nats"),
        Column(
            "order_evidence",
            pl.Float64,
            "evidence of the pitches before and after, from the alignment; null where the pair is beyond doubt or has no partner in the alignment",
            "nats",
        ),
        Column("strongest_readings", pl.String, "the three readings with the most evidence, each in nats"),
        Column("competing_sighting_id", pl.String, "the sighting of this pair that has a more probable partner"),
    ),
    order=("baseball_day", "venue", "station"),
)
