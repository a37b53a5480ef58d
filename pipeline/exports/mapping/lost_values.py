"""Quarantine lines: each row that became no sighting and each value that was left out, with the reason and what would fix it.

A reason names no row or value: lines are counted by their reason, and both have columns of their own.
"""

from collections.abc import Sequence

import polars as pl

from pipeline.exports.inbox import ExportFile
from pipeline.exports.mapping.cells import COUNT_RANGES, Cells, count_columns, is_count
from pipeline.exports.mapping.null_reasons import Why
from pipeline.exports.mapping.timestamps import Stamps
from pipeline.exports.readers.raw import SHOWN_CHARACTERS
from pipeline.settings.metric_tables import columns, text_columns
from pipeline.settings.profile import Profile
from schemas.exports import QUARANTINE

# a clock that is set right for daylight saving moves by an hour
_SAME_PITCH_WITHIN_S = 3_660
_LINE_SCHEMA = {"file_row": pl.UInt32} | dict.fromkeys(
    ("column", "value", "level", "metric", "reason", "fix"), pl.String
)


def lost_values(cells: Cells, stamps: Stamps, null_reasons: pl.DataFrame, profile: Profile) -> pl.DataFrame:
    """Return a line for each value of a row that was not taken as written."""
    return pl.concat(
        [
            _unparsed_numbers(cells.unparsed, profile),
            _unparsed_clock_faces(null_reasons, cells, profile),
            _impossible_counts(cells, profile),
            _doubtful_stamps(cells, stamps, profile),
        ]
    )


def missing_carried_values(carried: dict[str, str], profile: Profile) -> pl.DataFrame:
    """Return a line for each carried value that the profile reads and this file does not have."""
    lines = [
        (
            ref,
            "value",
            f"this file has no {ref}, which {key} reads",
            f"check the patterns in [file.preamble] and [file.name] of {profile.file_name}",
        )
        for ref, key in profile.references().items()
        if ref.startswith("@") and not carried.get(ref) and ref != "@folder"
    ]
    return pl.DataFrame(lines, schema=dict.fromkeys(("column", "level", "reason", "fix"), pl.String), orient="row")


def unplaced_rows(rows: pl.DataFrame, stamps: Stamps, profile: Profile) -> pl.DataFrame:
    """Return a line for each row that has no date, or nothing in it."""
    time = profile.time
    time_columns = (*time.stamp_columns, *([time.date_column] if time.date_column else []))
    undated = pl.col("baseball_day").is_null()
    unread = pl.col("unread").is_not_null()
    refused = rows.with_columns(stamps.unread.alias("unread")).filter(pl.col("fate") == "quarantined")
    return refused.select(
        "file_row",
        level=pl.lit("row"),
        column=pl.when(undated).then(pl.lit(", ".join(time_columns))),
        metric=pl.when(undated).then(pl.lit("baseball_day")),
        value=pl.when(undated).then("unread"),
        reason=pl.when(undated & unread)
        .then(pl.lit("no date: the time or date does not fit the formats of the profile"))
        .when(undated)
        .then(pl.lit("no date: the row has neither a time nor a date"))
        .otherwise(pl.lit("the row has no reading, and no time, number or id")),
        fix=pl.when(undated)
        .then(pl.lit(f"check [time] in {profile.file_name}: formats, zone, date_column, date_formats"))
        .otherwise(
            pl.lit(f"if such rows are not pitches, describe them in a [[no_pitch]] table of {profile.file_name}")
        ),
    )


def reused_ids(rows: pl.DataFrame, profile: Profile) -> pl.DataFrame:
    """Return a line for each row that a row thrown at another hour replaced: an id that the device reuses would make pitches vanish."""
    kept_at = pl.col("thrown_at").filter(pl.col("fate").is_null()).first().over("sighting_id")
    apart_s = (kept_at - pl.col("thrown_at")).dt.total_seconds().abs()
    replaced = rows.filter((pl.col("fate") == "superseded") & (apart_s > _SAME_PITCH_WITHIN_S))
    return replaced.select(
        "file_row",
        level=pl.lit("value"),
        column=pl.lit(profile.keys.native_id, pl.String),
        metric=pl.lit("native_id"),
        value="native_id",
        reason=pl.lit("a row thrown more than an hour apart has the same native id and replaced this one"),
        fix=pl.lit(
            f"if the device reuses its ids, do not read them as native_id: set session and sequence in [keys] of {profile.file_name}"
        ),
    )


def quarantine_table(parts: Sequence[pl.DataFrame], file: ExportFile) -> pl.DataFrame:
    """Return all lines of this file as table quarantine."""
    lines = pl.concat(parts, how="diagonal_relaxed").with_columns(
        tracker=pl.lit(file.tracker),
        file_id=pl.lit(file.file_id),
        file_name=pl.lit(file.file_name),
        value=pl.when(pl.col("value").str.len_chars() > SHOWN_CHARACTERS)
        .then(pl.format("{}…", pl.col("value").str.slice(0, SHOWN_CHARACTERS - 1)))
        .otherwise("value"),
    )
    return lines.select(pl.col(name).cast(dtype) for name, dtype in QUARANTINE.polars_schema().items())


def _unparsed_numbers(unparsed: pl.DataFrame, profile: Profile) -> pl.DataFrame:
    return unparsed.select(
        "file_row",
        "column",
        "value",
        level=pl.lit("value"),
        metric=pl.col("column").replace_strict(_first_use(profile), default=None, return_dtype=pl.String),
        reason=pl.lit("the text is not a number"),
        fix=pl.lit(
            f"if it means not measured, add it to null_words; otherwise check decimal and thousands in {profile.file_name}"
        ),
    )


def _first_use(profile: Profile) -> dict[str, str]:
    """Return what each number column becomes: the first of our columns that reads it."""
    pairs = [(ref, metric) for metric, spec in profile.metric.given().items() for ref in columns(spec)]
    pairs += [(ref, "trajectory") for ref in (columns(profile.trajectory) if profile.trajectory else ())]
    pairs += [(ref, field) for field, ref in count_columns(profile).items() if ref]
    return dict(reversed(pairs))


def _unparsed_clock_faces(null_reasons: pl.DataFrame, cells: Cells, profile: Profile) -> pl.DataFrame:
    unread = null_reasons.filter(pl.col("reason") == Why.NO_CLOCK.text)
    lines = [
        cells.text[unread.filter(metric=metric).get_column("row")].select(
            "file_row",
            column=pl.lit(ref),
            value=pl.col(ref),
            level=pl.lit("value"),
            metric=pl.lit(metric),
            reason=pl.lit("the text is not a clock face (h:mm, or hours below 13)"),
            fix=pl.lit(f"if it means not measured, add it to null_words in [file] of {profile.file_name}"),
        )
        for metric, spec in profile.metric.given().items()
        for ref in text_columns(spec)
    ]
    return pl.concat([pl.DataFrame(schema=_LINE_SCHEMA), *lines])


def _impossible_counts(cells: Cells, profile: Profile) -> pl.DataFrame:
    """Return a line for each number that can't be the count it should be: 4 outs, inning 2.5."""
    lines = []
    for field, ref in count_columns(profile).items():
        if not ref:
            continue
        low, high = COUNT_RANGES[field]
        limits = "" if field == "sequence" else f" from {low} to {high}"
        impossible = cells.numbers.select((pl.col(ref).is_not_null() & ~is_count(ref, field)).alias("impossible"))
        lines.append(
            cells.text.filter(impossible.to_series()).select(
                "file_row",
                column=pl.lit(ref),
                value=pl.col(ref),
                level=pl.lit("value"),
                metric=pl.lit(field),
                reason=pl.lit(f"{field} must be a whole number{limits}"),
                fix=pl.lit(f"check the row in the export, or the column that {profile.file_name} reads"),
            )
        )
    return pl.concat([pl.DataFrame(schema=_LINE_SCHEMA), *lines])


def _doubtful_stamps(cells: Cells, stamps: Stamps, profile: Profile) -> pl.DataFrame:
    """Return a line for each time that could not be read, and for each local time that needed an assumption."""
    stamp_columns = profile.time.stamp_columns
    written = pl.concat_str(list(stamp_columns), separator=" ", ignore_nulls=True) if stamp_columns else pl.lit(None)
    frame = cells.text.with_columns(stamps.unread.alias("unread"), stamps.note.alias("note"), written=written)
    return frame.filter(pl.col("unread").is_not_null() | pl.col("note").is_not_null()).select(
        "file_row",
        column=pl.lit(", ".join(stamp_columns or (profile.time.date_column or "",))),
        value=pl.coalesce("unread", "written"),
        level=pl.lit("value"),
        metric=pl.lit(None, pl.String),
        reason=pl.coalesce("note", pl.lit("the time could not be read: the pitch keeps its place in the file's order")),
        fix=pl.lit(f"check [time] in {profile.file_name}: formats, zone"),
    )
