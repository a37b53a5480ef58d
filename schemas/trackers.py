"""The trackers of ledger.toml, and what a person has decided."""

import polars as pl

from schemas.contract import Column, Contract, required

TRACKERS = Contract(
    "trackers",
    "one tracker of ledger.toml, whether anything came from it or not",
    ("tracker",),
    (
        required("tracker", pl.String, "its id"),
        required("name", pl.String, "its name for people"),
        required("venue", pl.String, "the ball park or practice ground"),
        required("stations", pl.String, "the mounds where it may stand, with commas"),
        required("rank", pl.Int32, "1 is believed first"),
        required("time_zone", pl.String, "time zone of its venue"),
        Column("expected_days", pl.String, "weekdays on which it should see pitches, with commas; null: not stated"),
        required(
            "late_after_h", pl.Float64, "hours after the end of a baseball day from which on an export is late", "h"
        ),
    ),
    order=("rank",),
)

DECISIONS = Contract(
    "decisions",
    "one line of decisions.csv; of thrown_by, one sighting of a line",
    (),
    (
        required(
            "kind", pl.String, "label_is, label_is_not, same_pitch, not_same_pitch, no_pitch, thrown_by or drop_export"
        ),
        Column("tracker", pl.String, "the tracker that it is about; null: all"),
        required("subject", pl.String, "the label, sighting or export that it is about"),
        Column("object", pl.String, "the player, or the other sighting"),
        Column("by", pl.String, "who decided"),
        Column("on", pl.String, "when"),
        Column("why", pl.String, "the reason that was given"),
        Column("note", pl.String, "why it has no effect; null where it has, or may have one"),
    ),
    order=("kind", "subject", "object"),
)
