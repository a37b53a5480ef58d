"""Trackers of ledger.toml, and the decisions of people."""

import polars as pl

from schemas.contract import Column, Contract, required

TRACKERS = Contract(
    "trackers",
    "one tracker of ledger.toml, with or without exports",
    ("tracker",),
    (
        required("tracker", pl.String, "id of the tracker"),
        required("name", pl.String, "name for reports"),
        required("venue", pl.String, "id of the ball park or practice ground"),
        required("stations", pl.String, "ids of its mounds, separated by commas"),
        required("rank", pl.Int32, "1 is preferred first"),
        required("time_zone", pl.String, "time zone of its venue"),
        Column(
            "expected_days", pl.String, "weekdays on which it should see pitches, separated by commas; null: not stated"
        ),
        required(
            "late_after_h", pl.Float64, "an export is late this many hours after the end of the baseball day", "h"
        ),
    ),
    order=("rank",),
)

DECISIONS = Contract(
    "decisions",
    "one line of decisions.csv; a thrown_by line has one row per sighting",
    (),
    (
        required(
            "kind",
            pl.String,
            "label_is, label_is_not, same_pitch, not_same_pitch, no_pitch, thrown_by, drop_export or drop_matching_exports",
        ),
        Column("tracker", pl.String, "the tracker that it applies to; null: all"),
        required("subject", pl.String, "the label, sighting or export that it applies to"),
        Column("object", pl.String, "the player, or the other sighting"),
        Column("by", pl.String, "who decided"),
        Column("on", pl.String, "date of the decision"),
        Column("why", pl.String, "the reason"),
        Column("note", pl.String, "why it has no effect; null if it has, or may have, an effect"),
    ),
    order=("kind", "subject", "object"),
)
