"""What became of the exports: files, rows that were set aside or quarantined, and how each column was understood."""

import polars as pl

from schemas.contract import UTC_TIME, Column, Contract, count, required
from schemas.metrics import METRICS

FILES = Contract(
    "files",
    "one export as a tracker wrote it",
    ("tracker", "file_name"),
    (
        required(
            "file_id",
            pl.String,
            "16 hex digits made from the tracker and sha256: the same bytes in two files of a tracker share it",
        ),
        required("tracker", pl.String, "the tracker whose inbox it lies in"),
        required("file_name", pl.String, "path below the inbox"),
        required("sha256", pl.String, "checksum of the bytes"),
        required("bytes", pl.Int64, "size", "bytes"),
        Column("modified_at", UTC_TIME, "when the file was last written", "UTC"),
        required(
            "status",
            pl.String,
            "read, the same bytes as another file, or not to be read at all",
            "",
            ("read", "repeat", "quarantined"),
        ),
        count("rows", "rows read"),
        count("sightings", "rows that became sightings"),
        count("repeats", "rows that repeat a known sighting: repeats, superseded by a later export, double triggers"),
        count("no_pitch", "rows that are no pitch: by the profile or a person's decision"),
        count("quarantined", "rows that could not be taken (table quarantine)"),
        Column("first_thrown_at", UTC_TIME, "earliest time of a sighting, by the tracker's clock", "UTC"),
        Column("last_thrown_at", UTC_TIME, "latest time of a sighting, by the tracker's clock", "UTC"),
        Column("baseball_day_first", pl.Date, "earliest baseball day of a sighting"),
        Column("baseball_day_last", pl.Date, "latest baseball day of a sighting"),
        Column("reason", pl.String, "why it was not read, or what it repeats"),
        Column("first_seen_at", UTC_TIME, "the first run that found an export of this name", "UTC"),
        Column(
            "gone_since",
            UTC_TIME,
            "the first run that no more found it in its inbox; its rows stay until decisions.csv says drop_export",
            "UTC",
        ),
    ),
    order=("tracker", "baseball_day_first"),
)

SET_ASIDE = Contract(
    "set_aside",
    "one row that was read and is no sighting of its own",
    (),
    (
        required(
            "kind",
            pl.String,
            "the same row again, replaced by a corrected export, no pitch, or a second trigger on one pitch",
            "",
            ("repeat", "superseded", "no_pitch", "double_trigger"),
        ),
        required("tracker", pl.String, "the tracker"),
        required("file_id", pl.String, "the export (table files)"),
        required("file_row", pl.UInt32, "line or record number in the export, from 1"),
        required(
            "found_in",
            pl.String,
            "while its own export was read, or while the night's rows of all exports were put together",
            "",
            ("export", "night"),
        ),
        Column(
            "baseball_day", pl.Date, "local date at the venue; a day turns over at 04:00; null where the row tells none"
        ),
        Column("sighting_id", pl.String, "the id it has, or would have, as a sighting"),
        Column("of_sighting_id", pl.String, "the sighting that stands for it"),
        Column("why", pl.String, "the reason in words"),
        Column("thrown_at", UTC_TIME, "time by the tracker's own clock", "UTC"),
        Column("pitcher_label", pl.String, "the pitcher as the tracker names him"),
        Column("release_speed_mph", pl.Float64, METRICS["release_speed_mph"].definition, "mph"),
        Column("spin_rate_rpm", pl.Float64, METRICS["spin_rate_rpm"].definition, "rpm"),
    ),
    order=("tracker", "file_id", "file_row"),
)

QUARANTINE = Contract(
    "quarantine",
    "one reason why a file, a row or a single value could not be taken; a row with two reasons has two lines",
    (),
    (
        required(
            "level",
            pl.String,
            "file and row: nothing of it was taken; value: only this value was left out",
            "",
            ("file", "row", "value"),
        ),
        required("tracker", pl.String, "the tracker"),
        Column("file_id", pl.String, "the export (table files)"),
        required("file_name", pl.String, "path below the inbox"),
        Column("file_row", pl.UInt32, "line or record number in the export, from 1"),
        Column("column", pl.String, "the export's own column"),
        Column("metric", pl.String, "the metric or field that it would have become"),
        Column("value", pl.String, "the value seen"),
        required("reason", pl.String, "what is wrong, in words"),
        Column("fix", pl.String, "what would mend it"),
    ),
    order=("tracker", "file_name", "file_row", "level"),
)

METRIC_SOURCES = Contract(
    "metric_sources",
    "one metric of one tracker: where it comes from, how it is defined there, and why it is missing where it is (one line a reason)",
    (),
    (
        required("tracker", pl.String, "the tracker"),
        required("metric", pl.String, "the metric: a column of sightings"),
        Column("column", pl.String, "the export's own column"),
        Column("unit", pl.String, "the unit that the profile states"),
        Column("definition", pl.String, "the definition that the profile states"),
        Column("computed_from", pl.String, "what it was computed from, where it was not read"),
        count("sightings", "sightings of this tracker"),
        count("measured", "sightings that have this metric"),
        Column("null_reason", pl.String, "why it is missing; null where nothing is missing"),
        count("affected", "sightings without it for this reason"),
    ),
    order=("tracker", "metric", "null_reason"),
)

UNKNOWN_LABELS = Contract(
    "unknown_labels",
    "one word of a tracker that its profile does not know",
    ("tracker", "field", "label"),
    (
        required("tracker", pl.String, "the tracker"),
        required("field", pl.String, "the column of sightings it was meant for"),
        required("label", pl.String, "the word"),
        count("rows", "rows that have it"),
        Column("became", pl.String, "what was put in its place"),
    ),
)
