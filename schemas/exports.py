"""Exports: files, rows set aside or quarantined, and how each column was read."""

import polars as pl

from schemas.contract import UTC_TIME, Column, Contract, baseball_day, count, required
from schemas.metrics import METRICS

FILES = Contract(
    "files",
    "one export as a tracker wrote it",
    ("tracker", "file_name"),
    (
        required(
            "file_id",
            pl.String,
            "16 hex digits computed from tracker and sha256; two files of a tracker with the same bytes have the same id",
        ),
        required("tracker", pl.String, "the tracker whose inbox contains it"),
        required("file_name", pl.String, "path below the inbox"),
        required("sha256", pl.String, "SHA-256 checksum of the bytes"),
        required("bytes", pl.Int64, "size", "bytes"),
        Column("modified_at", UTC_TIME, "when the file was last written", "UTC"),
        required(
            "status",
            pl.String,
            "read; repeat: same bytes as another file; quarantined: not usable",
            "",
            ("read", "repeat", "quarantined"),
        ),
        count("rows", "rows read"),
        count("sightings", "rows that became sightings"),
        count(
            "repeats",
            "rows that repeat a known sighting: repeated rows, rows superseded by a later export, double triggers",
        ),
        count("no_pitch", "rows that are not pitches, by the profile or a decision"),
        count("quarantined", "rows that could not be used (table quarantine)"),
        Column("first_thrown_at", UTC_TIME, "earliest time of a sighting, by the tracker's clock", "UTC"),
        Column("last_thrown_at", UTC_TIME, "latest time of a sighting, by the tracker's clock", "UTC"),
        Column("baseball_day_first", pl.Date, "earliest baseball day of a sighting"),
        Column("baseball_day_last", pl.Date, "latest baseball day of a sighting"),
        Column("reason", pl.String, "why it was not read, or what it repeats"),
        Column("first_seen_at", UTC_TIME, "first run that found an export with this name", "UTC"),
        Column(
            "gone_since",
            UTC_TIME,
            "first run that did not find it in its inbox; its rows stay until decisions.csv has a drop_export line",
            "UTC",
        ),
    ),
    order=("tracker", "baseball_day_first"),
)

SET_ASIDE = Contract(
    "set_aside",
    "one row that was read but is not a sighting",
    (),
    (
        required(
            "kind",
            pl.String,
            "repeat: the same row again; superseded: replaced by a corrected export; no_pitch: not a pitch; double_trigger: a second record of one throw",
            "",
            ("repeat", "superseded", "no_pitch", "double_trigger"),
        ),
        required("tracker", pl.String, "the tracker"),
        required("file_id", pl.String, "the export (table files)"),
        required("file_row", pl.UInt32, "line or record number in the export, from 1"),
        required(
            "stage",
            pl.String,
            "export: found while its own export was read; night: found while the rows of all exports of the night were compared",
            "",
            ("export", "night"),
        ),
        Column(
            "baseball_day",
            pl.Date,
            "local date at the venue; the day changes at 4 am; null if the row has no date",
        ),
        Column("sighting_id", pl.String, "the id that it has, or would have, as a sighting"),
        Column("kept_sighting_id", pl.String, "the sighting that is kept instead"),
        Column("why", pl.String, "the reason in words"),
        Column(
            "is_warm_up",
            pl.Boolean,
            "whether the device measured a warm-up throw; null unless kind is no_pitch",
        ),
        Column("station", pl.String, "id of the mound; null if the export does not name it"),
        Column("thrown_at", UTC_TIME, "time by the tracker's own clock", "UTC"),
        Column("pitcher_label", pl.String, "the pitcher as the tracker names him"),
        Column("pitcher_native_id", pl.String, "the tracker's own id of the pitcher"),
        Column("release_speed_mph", pl.Float64, METRICS["release_speed_mph"].definition, "mph"),
        Column("spin_rate_rpm", pl.Float64, METRICS["spin_rate_rpm"].definition, "rpm"),
    ),
    order=("tracker", "file_id", "file_row"),
)

KEY_COLLISIONS = Contract(
    "key_collisions",
    "two exports of a tracker whose rows have the same keys but are different throws; both count",
    ("tracker", "baseball_day", "file_id", "other_day", "other_file_id", "key"),
    (
        required("tracker", pl.String, "the tracker"),
        baseball_day(),
        required(
            "file_id", pl.String, "the export of the later evening, whose rows have ids of their own (table files)"
        ),
        required("other_day", pl.Date, "baseball day of the other export's rows"),
        required("other_file_id", pl.String, "the export of the older evening, whose rows keep the ids (table files)"),
        required(
            "key",
            pl.String,
            "what both exports use again: the tracker's own id, its number, or only the order of the rows",
            "",
            ("native_id", "sequence", "row_order"),
        ),
        count("throws", "throws of file_id whose key the other export uses for another throw", "throws"),
        Column("example", pl.String, "one such id or number"),
    ),
    order=("tracker", "baseball_day"),
)

QUARANTINE = Contract(
    "quarantine",
    "one reason why a file, a row or a value could not be used; a row with two reasons has two lines",
    (),
    (
        required(
            "level",
            pl.String,
            "file, row: nothing of it was used; value: only this value became null",
            "",
            ("file", "row", "value"),
        ),
        required("tracker", pl.String, "the tracker"),
        Column("file_id", pl.String, "the export (table files)"),
        required("file_name", pl.String, "path below the inbox"),
        Column("file_row", pl.UInt32, "line or record number in the export, from 1"),
        Column("column", pl.String, "the export's own column"),
        Column("metric", pl.String, "the metric or field that it would have become"),
        Column("value", pl.String, "the value found"),
        required("reason", pl.String, "what is wrong, in words"),
        Column("fix", pl.String, "how to fix it"),
    ),
    order=("tracker", "file_name", "file_row", "level"),
)

METRIC_SOURCES = Contract(
    "metric_sources",
    "one metric of one tracker: its column, its definition, and why it is missing (one line per reason)",
    (),
    (
        required("tracker", pl.String, "the tracker"),
        required("metric", pl.String, "the metric: a column of table sightings"),
        Column("column", pl.String, "the export's own column"),
        Column("unit", pl.String, "the unit that the profile states"),
        Column("definition", pl.String, "the definition that the profile states"),
        Column("computed_from", pl.String, "what it was computed from, if it was not read"),
        count("sightings", "sightings of this tracker"),
        count("measured", "sightings that have this metric"),
        Column("null_reason", pl.String, "why it is missing; null if it is never missing"),
        count("affected", "sightings without it for this reason"),
    ),
    order=("tracker", "metric", "null_reason"),
)

UNKNOWN_LABELS = Contract(
    "unknown_labels",
    "one word of a tracker that its profile does not list",
    ("tracker", "field", "label"),
    (
        required("tracker", pl.String, "the tracker"),
        required("field", pl.String, "the column of table sightings that it belongs to"),
        required("label", pl.String, "the word"),
        count("rows", "rows that have it"),
        Column("became", pl.String, "the word used instead"),
    ),
)
