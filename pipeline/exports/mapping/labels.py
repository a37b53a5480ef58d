"""Labels: a device's words for pitch types, results and hands translated into ours, and the words that no profile explains."""

from typing import TYPE_CHECKING, NamedTuple

import polars as pl

from pipeline.exports.mapping.cells import Cells
from pipeline.settings.profile_tables import LABELS, LabelTable
from schemas.exports import UNKNOWN_LABELS

if TYPE_CHECKING:
    from pipeline.settings.ledger import TrackerSettings

_UNKNOWN_SCHEMA = {"row": pl.UInt32, "field": pl.String, "label": pl.String, "became": pl.String}


class Labels(NamedTuple):
    """`fields`: our word per row, a column for each field of LABELS. `unknown`: row (from 0), field, label and what it became."""

    fields: pl.DataFrame
    unknown: pl.DataFrame


def translate_labels(cells: Cells, tracker: "TrackerSettings") -> Labels:
    """Translate each label column of the profile; a word that it does not explain becomes null or `unknown`, as the profile states."""
    tables = tracker.profile.labels.given()
    theirs = cells.text.select(
        "file_row",
        *(
            (pl.lit(table.value) if table.value else pl.col(str(table.column))).alias(field)
            for field, table in tables.items()
        ),
    )
    ours = theirs.select(
        "file_row",
        *(
            _translated(field, table, tracker.stations if field == "station" else LABELS[field])
            for field, table in tables.items()
        ),
    )
    is_unknown = {field: ours.get_column(field).is_null() & theirs.get_column(field).is_not_null() for field in tables}
    unknown = [
        _unknown_words(theirs.get_column(field), is_unknown[field], _replacement(field, table))
        for field, table in tables.items()
        if is_unknown[field].any()
    ]
    filled = ours.with_columns(
        pl.when(is_unknown[field]).then(pl.lit(word)).otherwise(field).alias(field)
        for field, table in tables.items()
        if (word := _replacement(field, table))
    )
    absent = [pl.lit(None, pl.String).alias(field) for field in LABELS if field not in tables]
    fields = filled.with_columns(absent).select(list(LABELS))
    return Labels(fields, pl.concat([pl.DataFrame(schema=_UNKNOWN_SCHEMA), *unknown]))


def count_unknown(unknown: pl.DataFrame, tracker_id: str, is_sighting: pl.Series) -> pl.DataFrame:
    """Count the unknown words of the rows that became sightings: table unknown_labels."""
    kept = unknown.filter(is_sighting.gather(unknown.get_column("row"))) if unknown.height else unknown
    counted = kept.group_by("field", "label", "became").agg(rows=pl.len()).with_columns(tracker=pl.lit(tracker_id))
    return counted.select(pl.col(name).cast(dtype) for name, dtype in UNKNOWN_LABELS.polars_schema().items()).sort(
        "field", "label"
    )


def _translated(field: str, table: LabelTable, allowed: tuple[str, ...]) -> pl.Expr:
    """Return our word for each of theirs, null where it is unknown."""
    known = {word: word for word in allowed} | {
        word.strip().lower(): ours for word, ours in table.words.items() if not allowed or ours in allowed
    }
    return (
        pl.col(field)
        .str.to_lowercase()
        .replace_strict(list(known), list(known.values()), default=None, return_dtype=pl.String)
    )


def _replacement(field: str, table: LabelTable) -> str | None:
    """Return what an unknown word of this field becomes."""
    return "unknown" if table.unknown == "unknown" and "unknown" in LABELS[field] else None


def _unknown_words(theirs: pl.Series, is_unknown: pl.Series, became: str | None) -> pl.DataFrame:
    rows = is_unknown.arg_true()
    return pl.DataFrame({"row": rows.cast(pl.UInt32), "label": theirs.gather(rows)}).select(
        "row", field=pl.lit(theirs.name), label="label", became=pl.lit(became, pl.String)
    )
