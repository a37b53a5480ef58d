"""The runs of the tool, and the settings that its views go by."""

import polars as pl

from schemas.contract import UTC_TIME, Column, Contract, required

# Version of the published tables: raise it when a table or column is renamed or removed, or changes its meaning (CHANGELOG says how).
# 2: pitch_result, plate_appearance_result and exit_velocity_mph replaced the column names of 1.
SCHEMA_VERSION = 2

RUNS = Contract(
    "runs",
    "one run of the tool",
    ("run_id",),
    (
        required("run_id", pl.String, "the run"),
        Column("version", pl.String, "the version it published; the greatest is the one you read"),
        Column("started_at", UTC_TIME, "when it began", "UTC"),
        Column("finished_at", UTC_TIME, "when its tables were ready", "UTC"),
        required("status", pl.String, "what became of it", "", ("done", "failed", "nothing_new", "restored")),
        Column("files_new", pl.UInt32, "exports not seen before", "files"),
        Column("files_changed", pl.UInt32, "exports whose bytes changed", "files"),
        Column("files_gone", pl.UInt32, "exports that are no longer in the inbox", "files"),
        Column("rows", pl.UInt32, "rows of all exports", "rows"),
        Column("sightings", pl.UInt32, "sightings in the warehouse", "rows"),
        Column("pitches", pl.UInt32, "pitches in the warehouse", "pitches"),
        Column("quarantined", pl.UInt32, "rows in quarantine", "rows"),
        Column("message", pl.String, "what happened, in words"),
        Column("redone", pl.String, "what had changed, so that its nights were worked through, in words"),
        Column("fingerprint", pl.String, "hash of all that went in: the same again means that nothing is new"),
    ),
    order=("started_at",),
)

SETTINGS = Contract(
    "settings",
    "one setting of the ledger that the tables or views go by",
    ("setting",),
    (
        required("setting", pl.String, "its name: gap_share, doubtful_below, merge_above, ..."),
        required("value", pl.Float64, "its value", "the setting's unit"),
        Column("meaning", pl.String, "what it does, in words"),
    ),
)

WAREHOUSE_VERSION = Contract(
    "warehouse_version",
    "the version that you have open: one row",
    ("version",),
    (
        required("version", pl.String, "the version, as in versions/<version> and manifest.json"),
        required("program_version", pl.String, "version of pitchledger that made it"),
        required(
            "schema_version",
            pl.UInt32,
            "version of the tables: it rises when a table or column is renamed, removed or redefined",
        ),
        required("published_at", UTC_TIME, "when it was published", "UTC"),
    ),
)
