"""What each column of an export becomes, for a person who checks a profile."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.exports.mapping.rows import TEXT_KEYS, Mapped
from pipeline.exports.readers.raw import FILE_ROW, RawExport
from pipeline.settings.metric_tables import columns
from pipeline.settings.profile import Profile
from pipeline.words import clock_words, weekday_words

# enough rows for an example of each column
_ROWS_SEARCHED = 200
_HEADINGS = ("our column", "their column", "unit", "what theirs means", "before", "after", "filled")


def describe_columns(raw: RawExport, profile: Profile, mapped: Mapped, zone: str) -> pl.DataFrame:
    """Return a line for each of our columns; then each column of theirs that is not read.

    A line has their column, unit, definition, an example before and after (times in `zone`), and the share of the sightings that have it.
    """
    first = mapped.sightings.head(_ROWS_SEARCHED)
    most = pl.col("affected") == pl.col("affected").max().over("metric")
    sources = mapped.metric_sources.filter(most).unique("metric", keep="first", maintain_order=True)
    lines = [_metric_line(raw, first, profile, source) for source in sources.iter_rows(named=True)]
    lines += [_other_line(raw, first, ours, theirs, zone) for ours, theirs in _other_columns(profile)]
    lines = [(*line, _filled(mapped.sightings, line[0])) for line in lines]
    read = {*profile.references(), FILE_ROW}
    lines += [
        ("(not mapped)", name, "", "", "", "", "")
        for name in raw.cells.columns
        if name not in read and not name.startswith("@preamble.")
    ]
    return pl.DataFrame(lines, schema=dict.fromkeys(_HEADINGS, pl.String), orient="row")


def _metric_line(raw: RawExport, first: pl.DataFrame, profile: Profile, source: dict[str, Any]) -> tuple[str, ...]:
    metric = source["metric"]
    spec = profile.metric.given().get(metric)
    theirs = columns(spec) if spec else ()
    measured = first.drop_nulls(metric)
    if measured.height:
        after = f"{measured.get_column(metric)[0]:.3f}".rstrip("0").rstrip(".")
    else:
        after = "never measured" + (f": {source['null_reason']}" if source["null_reason"] else "")
    rows = (measured if measured.height else first).get_column(FILE_ROW)
    before = " ".join(_example(raw, name, rows) for name in theirs)
    return metric, ", ".join(theirs), source["unit"] or "", source["definition"] or "", before, after


def _filled(sightings: pl.DataFrame, ours: str) -> str:
    """Return the share of the sightings that have a column: "all", "97%", "none". A share is never rounded to all or none."""
    count, height = sightings.get_column(ours).count(), sightings.height
    if count in (0, height):
        return "all" if height and count else "none"
    return f"{min(max(round(100 * count / height), 1), 99)}%"


def _other_line(raw: RawExport, first: pl.DataFrame, ours: str, theirs: str, zone: str) -> tuple[str, ...]:
    filled = first.drop_nulls(ours)
    after = _shown(filled.get_column(ours)[0], zone) if filled.height else "never known"
    rows = (filled if filled.height else first).get_column(FILE_ROW)
    return ours, theirs, "", "", _example(raw, theirs, rows), after


def _shown(value: object, zone: str) -> str:
    if not isinstance(value, datetime):
        return str(value)
    clock = clock_words(value, zone, seconds=True, milliseconds=bool(value.microsecond))
    return f"{weekday_words(value.astimezone(ZoneInfo(zone)).date())}, {clock}"


def _example(raw: RawExport, column: str, rows: pl.Series) -> str:
    """Return the first filled cell of these rows, or the value that the file carries."""
    if column not in raw.cells.columns:
        return raw.carried.get(column, "")
    cells = raw.cells.filter(pl.col(FILE_ROW).is_in(rows.implode())).get_column(column).drop_nulls()
    return next((cell for cell in cells if cell.strip()), "")


def _other_columns(profile: Profile) -> list[tuple[str, str]]:
    """Return our columns that hold no metric, each with the column of theirs that it reads."""
    time = [("thrown_at", ref) for ref in profile.time.stamp_columns] + [("baseball_day", profile.time.date_column)]
    keys = [(ours, getattr(profile.keys, key)) for key, ours in TEXT_KEYS.items()]
    counts = [
        ("sequence", profile.keys.sequence),
        *((name, getattr(profile.situation, name)) for name in ("inning", "outs", "balls", "strikes")),
    ]
    labels = [(field, table.column) for field, table in profile.labels.given().items()]
    return [(ours, ref) for ours, ref in (*time, *keys, *counts, *labels) if ref]
