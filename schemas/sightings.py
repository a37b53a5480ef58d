"""The sightings: one tracker's record of one pitch, in the common schema."""

import polars as pl

from schemas.contract import UTC_TIME, Column, Contract, metric_columns, required, share, trajectory_columns
from schemas.metrics import BATTER_SIDES, HALVES, HANDS, OCCASIONS, PITCH_RESULTS, PITCH_TYPES, PLATE_APPEARANCE_RESULTS

PITCHER_BY = ("label", "person")
SITUATION = (
    Column("pitcher_label", pl.String, "the pitcher as the tracker names him, untouched"),
    Column("pitcher_native_id", pl.String, "the tracker's own id of the pitcher"),
    Column("pitcher_id", pl.String, "the pitcher in table players; null while the label is not settled"),
    Column("pitcher_by", pl.String, "who named that pitcher: the label, or a person (thrown_by)", "", True, PITCHER_BY),
    Column("pitcher_hand", pl.String, "the throwing hand", "", True, HANDS),
    Column("team_label", pl.String, "the pitcher's team as the tracker names it"),
    Column("batter_label", pl.String, "the batter as the tracker names him, untouched"),
    Column("batter_native_id", pl.String, "the tracker's own id of the batter"),
    Column("batter_id", pl.String, "the batter in table players; null while the label is not settled"),
    Column("batter_side", pl.String, "the side of the plate he bats from", "", True, BATTER_SIDES),
    Column("inning", pl.Int16, "inning, from 1", "innings", True, (), 0, 99),
    Column("half", pl.String, "top (the guests bat) or bottom of the inning", "", True, HALVES),
    Column("outs", pl.Int8, "outs before the pitch", "outs", True, (), 0, 3),
    Column("balls", pl.Int8, "balls before the pitch", "balls", True, (), 0, 4),
    Column("strikes", pl.Int8, "strikes before the pitch", "strikes", True, (), 0, 3),
    Column("pitch_type", pl.String, "pitch type", "", True, PITCH_TYPES),
    Column("pitch_type_by", pl.String, "who named the pitch type", "", True, ("operator", "tracker")),
    Column("pitch_result", pl.String, "what became of the pitch", "", True, PITCH_RESULTS),
    Column(
        "plate_appearance_result",
        pl.String,
        "what became of the plate appearance, where this pitch ended it",
        "",
        True,
        PLATE_APPEARANCE_RESULTS,
    ),
)

_WHERE = (
    required("sighting_id", pl.String, "s and 16 hex digits; made from tracker and content, the same in every run"),
    required("tracker", pl.String, "the tracker that saw it"),
    required("file_id", pl.String, "the export it stands in (table files)"),
    required("file_row", pl.UInt32, "line or record number in the export, as a person counts it, from 1"),
    required("file_order", pl.UInt32, "order in the export as the device wrote it, oldest first"),
    required("venue", pl.String, "the ball park or practice ground"),
    Column("station", pl.String, "the mound; null where not known: then it is matched with nothing"),
    Column("station_by", pl.String, "where the station was taken from", "", True, ("ledger", "export", "matching")),
    Column("occasion", pl.String, "kind of session", "", True, OCCASIONS),
    required("baseball_day", pl.Date, "local date at the venue; a day turns over at 04:00"),
    Column("native_id", pl.String, "the tracker's own id of the pitch"),
    Column("native_session", pl.String, "the tracker's own id of the session"),
    Column("sequence", pl.Int64, "the tracker's own number of the pitch"),
    Column("thrown_at", UTC_TIME, "time by the tracker's own clock, not corrected", "UTC"),
    Column(
        "clock_resolution_s",
        pl.Float64,
        "step of the tracker's clock; null where it wrote no time of day",
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
        "probability that it belongs to this pitch; for a pitch seen once, that it is rightly alone; double_triggers lower it",
        nullable=False,
    ),
    required(
        "matched_by",
        pl.String,
        "what decided: the matching, a person (decisions.csv), or single: nothing to match with",
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
        "each reading that a stated correction changed, with its value before the correction; null where none changed",
    ),
)

_ORDER = ("baseball_day", "venue", "station", "tracker", "file_id", "file_row")

# the frame that the steps pass on, before matching
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
    "two records of one tracker that are one throw, recorded twice, with a probability of at least 0.02",
    ("sighting_id", "of_sighting_id"),
    (
        required("sighting_id", pl.String, "the record that repeats the other, or may"),
        required("of_sighting_id", pl.String, "the record that stands for the throw"),
        required("tracker", pl.String, "the tracker of both"),
        required("baseball_day", pl.Date, "local date at the venue; a day turns over at 04:00"),
        share("probability", "probability that both are one throw", nullable=False),
        required(
            "set_aside", pl.Boolean, "whether sighting_id is set aside (table set_aside); false: it stands as a pitch"
        ),
        Column("time_gap_s", pl.Float64, "time of sighting_id minus time of of_sighting_id; null without a clock", "s"),
    ),
    order=("baseball_day", "tracker"),
)

MATCH_PAIRS = Contract(
    "match_pairs",
    "two sightings of two trackers that are one pitch with a probability of at least 0.02, or of which a person decided",
    ("sighting_a", "sighting_b"),
    (
        required("sighting_a", pl.String, "sighting of the tracker of better rank"),
        required("sighting_b", pl.String, "sighting of the other tracker"),
        required("tracker_a", pl.String, "tracker of sighting_a"),
        required("tracker_b", pl.String, "tracker of sighting_b"),
        required("venue", pl.String, "the ball park or practice ground"),
        required("station", pl.String, "the mound"),
        required("baseball_day", pl.Date, "local date at the venue; a day turns over at 04:00"),
        share("probability", "probability that both are one pitch", nullable=False),
        required("merged", pl.Boolean, "whether both stand in one pitch"),
        required("decided_by", pl.String, "model or person (decisions.csv)", "", ("model", "person", "single")),
        Column("time_gap_s", pl.Float64, "time of b minus time of a after clock correction", "s"),
        Column("time_evidence", pl.Float64, "what the time says: log-likelihood ratio, above 0 for one pitch", "nats"),
        Column("reading_evidence", pl.Float64, "what the readings say, alike", "nats"),
        Column("label_evidence", pl.Float64, "what pitcher, batter, count and calls say, alike", "nats"),
        Column("order_evidence", pl.Float64, "what the order of the pitches around says, alike", "nats"),
        Column("what", pl.String, "the readings that spoke loudest, with their share"),
        Column("rival_of", pl.String, "the sighting that this pair contends for with a likelier pair"),
    ),
    order=("baseball_day", "venue", "station"),
)
