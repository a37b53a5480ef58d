"""Runs of the tool, and the settings that its views use."""

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
        required("run_id", pl.String, "id of the run"),
        Column("version", pl.String, "the version that it published; the highest is the one you have open"),
        Column("started_at", UTC_TIME, "when it started", "UTC"),
        Column("finished_at", UTC_TIME, "when its tables were ready", "UTC"),
        required("status", pl.String, "how it ended", "", ("done", "failed", "nothing_new", "restored")),
        Column("files_new", pl.UInt32, "new exports", "files"),
        Column("files_changed", pl.UInt32, "exports whose content changed", "files"),
        Column("files_gone", pl.UInt32, "exports that are no longer in the inbox", "files"),
        Column("rows", pl.UInt32, "rows of all exports", "rows"),
        Column("sightings", pl.UInt32, "sightings in the warehouse", "rows"),
        Column("pitches", pl.UInt32, "pitches in the warehouse", "pitches"),
        Column("quarantined", pl.UInt32, "rows in quarantine", "rows"),
        Column("message", pl.String, "what happened, in words"),
        Column("reprocessed", pl.String, "why nights were processed: what had changed, in words"),
        Column("fingerprint", pl.String, "hash of all inputs; a run with the same hash has nothing new to do"),
    ),
    order=("started_at",),
)

SETTINGS = Contract(
    "settings",
    "one setting of the ledger that tables or views use",
    ("setting",),
    (
        required("setting", pl.String, "its name, such as gap_share, doubtful_below, merge_above"),
        required("value", pl.Float64, "its value", "the setting's unit"),
        Column("meaning", pl.String, "what it does, in words"),
    ),
)

WAREHOUSE_VERSION = Contract(
    "warehouse_version",
    "the version that you have open (the table has one row)",
    ("version",),
    (
        required("version", pl.String, "the version, as in versions/<version> and manifest.json"),
        required("program_version", pl.String, "version of pitchledger that wrote it"),
        required(
            "schema_version",
            pl.UInt32,
            "version of the tables: it rises when a table or column is renamed, removed or redefined",
        ),
        required("published_at", UTC_TIME, "when it was published", "UTC"),
    ),
)
