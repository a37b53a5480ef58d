"""A profile applied to an export: text cells into sightings of the common schema, with every row and every lost value accounted for."""

from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING, NamedTuple

import polars as pl
import polars_hash as plh

from pipeline.inbox import ExportFile
from pipeline.sources.clocktimes import Stamps, read_stamps
from pipeline.sources.definitions import columns, text_columns
from pipeline.sources.metrics_mapping import map_metrics
from pipeline.sources.profile import LABELS, LabelTable, NoPitchRule, Profile
from pipeline.sources.readers import RawExport, UnreadableExport
from pipeline.toml_problems import nearest_of
from schemas.exports import METRIC_SOURCES, QUARANTINE, SET_ASIDE, UNKNOWN_LABELS
from schemas.metrics import METRICS, TRAJECTORY
from schemas.sightings import SIGHTINGS

if TYPE_CHECKING:
    from pipeline.ledger import TrackerSettings

# columns that a later step fills
LATER = ("pitch_id", "match_probability", "matched_by", "pitcher_id", "batter_id", "corrections")
_TEXT_KEYS = {
    "native_id": "native_id",
    "session": "native_session",
    "pitcher": "pitcher_label",
    "pitcher_id": "pitcher_native_id",
    "batter": "batter_label",
    "batter_id": "batter_native_id",
    "team": "team_label",
}
_NUMBER = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"
_FINE_CLOCK_S = 1.0


class Mapped(NamedTuple):
    """The rows of one export. `exported_at`: when it was made, where the profile says (naive, null otherwise)."""

    sightings: pl.DataFrame
    set_aside: pl.DataFrame
    quarantine: pl.DataFrame
    metric_sources: pl.DataFrame
    unknown_labels: pl.DataFrame
    exported_at: datetime | None


def map_export(raw: RawExport, profile: Profile, tracker: "TrackerSettings", file: ExportFile) -> Mapped:
    """Map a read export. Raises UnreadableExport where a column of the profile is not in it.

    rows read = sightings + set_aside + distinct rows quarantined at level "row" (those that the reader refused are among them).
    """
    cells = _referenced(raw, profile, tracker, file)
    if profile.file.row_order == "newest_first":
        cells = cells.reverse()
    cells = cells.with_row_index("file_order", offset=1)
    numbers, unread = _numbers(cells, profile)
    refused, passed = _no_pitch(cells, numbers, profile.no_pitch)
    stamps = _stamps(cells, profile, tracker.time_zone)
    labels, unknown = _labels(cells, profile, tracker)
    mapped = map_metrics(
        _readings(cells, numbers, profile), profile.metric, profile.trajectory, labels.get_column("pitcher_hand")
    )
    rows = _rows(cells, numbers, stamps, labels, mapped.values, tracker, file)
    rows = rows.with_columns(sighting_id=_identity(rows, cells, profile, tracker.id))
    undated = rows.get_column("baseball_day").is_null()
    empty = _is_empty(rows)
    bad = (undated | empty) & passed
    keep = passed & ~bad
    repeats, keep = _repeats(rows, cells, keep, profile, stamps.resolution_s)
    kept = rows.filter(keep)
    place = {"tracker": tracker.id, "file_id": file.file_id, "file_name": file.file_name}
    quarantine = _quarantine(
        place,
        cells,
        raw.problems,
        unread.filter(pl.col("file_row").is_in(kept.get_column("file_row").implode())),
        stamps,
        keep,
        rows,
        bad,
        undated,
    )
    aside = pl.concat([_aside(rows.join(refused, on="file_row"), "no_pitch"), repeats])
    return Mapped(
        kept.select(name for name in SIGHTINGS.names if name not in LATER[:3]),
        aside,
        quarantine,
        _metric_sources(
            profile, tracker.id, kept, mapped.reasons.filter(pl.col("row").is_in(pl.Series(keep.arg_true()).implode()))
        ),
        _unknown_labels(unknown, tracker.id, keep),
        _exported_at(cells, profile),
    )


def _referenced(raw: RawExport, profile: Profile, tracker: "TrackerSettings", file: ExportFile) -> pl.DataFrame:
    """The cells that the profile names, by reference, as stripped text with nulls; and file_row."""
    folder = file.file_name.rsplit("/", 1)[0].split("/")[0] if "/" in file.file_name else None
    carried = {**raw.carried, "@file": file.file_name.rsplit("/", 1)[-1], "@folder": folder, "@tracker": tracker.id}
    references = profile.references()
    missing = [ref for ref in references if ref not in raw.cells.columns and ref not in carried]
    if missing:
        raise UnreadableExport(
            _missing_text(missing, raw.cells.columns),
            f"mend {profile.file_name}, [{references[missing[0]]}], or export again with this column",
        )
    nulls = sorted({"", *profile.file.null_words})
    named = [
        pl.lit(carried[ref], pl.String).alias(ref) if ref not in raw.cells.columns else pl.col(ref)
        for ref in references
    ]
    cells = raw.cells.select("file_row", *named)
    stripped = (pl.col(ref).str.strip_chars(" \t\r\n\u00a0\u202f\u2007\ufeff") for ref in references)
    return cells.with_columns(stripped).with_columns(
        pl.when(~pl.col(ref).is_in(nulls)).then(pl.col(ref)).alias(ref) for ref in references
    )


def _missing_text(missing: list[str], there: list[str]) -> str:
    known = tuple(name for name in there if name != "file_row")
    parts = []
    for ref in missing:
        near = nearest_of(ref, known)
        parts.append(f"no column '{ref}'" + (f" (nearest: '{near}')" if near else ""))
    return "; ".join(parts)


def _number_columns(profile: Profile) -> dict[str, tuple[str, ...]]:
    """The references whose cells must be numbers, each with the extra words that mean null there."""
    found: dict[str, set[str]] = {}
    for spec in profile.metric.given().values():
        text = text_columns(spec)
        for ref in columns(spec):
            if ref not in text:
                found.setdefault(ref, set()).update(getattr(spec, "null_words", ()))
    for ref in columns(profile.trajectory) if profile.trajectory else ():
        found.setdefault(ref, set())
    situation = profile.situation
    for name in (situation.inning, situation.outs, situation.balls, situation.strikes, profile.keys.sequence):
        if name:
            found.setdefault(name, set())
    for rule in profile.no_pitch:
        if rule.below is not None or rule.above is not None:
            found.setdefault(rule.column, set())
    return {ref: tuple(sorted(words)) for ref, words in found.items()}


def parse_number(ref: str, decimal: str, thousands: str) -> pl.Expr:
    """Text into a number, null where it is none. A thousands sign counts only between groups of three digits: 95,1 is never 951."""
    text = pl.col(ref).str.replace_all("[\u2212\u2013]", "-")
    if thousands == " ":
        text = text.str.replace_all("[\u00a0\u202f\u2007]", " ")
    if thousands:
        point = "\\" + decimal
        sign = "\\" + thousands
        grouped = rf"^[+-]?\d{{1,3}}({sign}\d{{3}})+({point}\d*)?$"
        text = (
            pl.when(text.str.contains(grouped)).then(text.str.replace_all(thousands, "", literal=True)).otherwise(text)
        )
    if decimal == ",":
        text = (
            pl.when(text.str.contains(".", literal=True))
            .then(pl.lit("?"))
            .otherwise(text.str.replace(",", ".", literal=True))
        )
    number = pl.when(text.str.contains(_NUMBER)).then(text).cast(pl.Float64, strict=False)
    return pl.when(number.is_finite()).then(number).alias(ref)


def _numbers(cells: pl.DataFrame, profile: Profile) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The number columns parsed, and a line for each text that is no number: file_row, column, value."""
    wanted = _number_columns(profile)
    nulls = {ref: words for ref, words in wanted.items() if words}
    texts = cells.with_columns(
        pl.when(~pl.col(ref).is_in(words)).then(pl.col(ref)).alias(ref) for ref, words in nulls.items()
    )
    numbers = texts.select(parse_number(ref, profile.file.decimal, profile.file.thousands) for ref in wanted)
    lost = [
        texts.select("file_row", pl.lit(ref).alias("column"), pl.col(ref).alias("value")).filter(
            texts.get_column(ref).is_not_null() & numbers.get_column(ref).is_null()
        )
        for ref in wanted
    ]
    schema = {"file_row": pl.UInt32, "column": pl.String, "value": pl.String}
    return numbers, pl.concat([pl.DataFrame(schema=schema), *(part.cast({"file_row": pl.UInt32}) for part in lost)])


def _no_pitch(
    cells: pl.DataFrame, numbers: pl.DataFrame, rules: Iterable[NoPitchRule]
) -> tuple[pl.DataFrame, pl.Series]:
    """The rows that are no pitch (file_row, why), and a mask of those that may be one."""
    why = pl.lit(None, pl.String)
    together = cells.select("file_row", *(pl.col(rule.column).alias(f"text {rule.column}") for rule in _unique(rules)))
    together = together.hstack(numbers.rename({name: f"number {name}" for name in numbers.columns}))
    for rule in reversed(list(rules)):
        why = pl.when(_test(rule)).then(pl.lit(rule.why)).otherwise(why)
    judged = together.select(pl.col("file_row"), why.alias("why"))
    return judged.filter(pl.col("why").is_not_null()), judged.get_column("why").is_null()


def _unique(rules: Iterable[NoPitchRule]) -> list[NoPitchRule]:
    return list({rule.column: rule for rule in rules}.values())


def _test(rule: NoPitchRule) -> pl.Expr:
    text, number = pl.col(f"text {rule.column}"), pl.col(f"number {rule.column}")
    if rule.words is not None:
        return text.str.to_lowercase().is_in([word.strip().lower() for word in rule.words]).fill_null(False)
    if rule.below is not None:
        return (number < rule.below).fill_null(False)
    if rule.above is not None:
        return (number > rule.above).fill_null(False)
    return text.is_null()


def _stamps(cells: pl.DataFrame, profile: Profile, venue_zone: str) -> Stamps:
    time = profile.time
    stamp = None
    if time.stamp_columns:
        parts = cells.select(pl.concat_str(list(time.stamp_columns), separator=" ").alias("stamp"))
        stamp = parts.get_column("stamp")
    date_text = cells.get_column(time.date_column) if time.date_column else None
    return read_stamps(stamp, date_text, time, venue_zone, cells.height)


def _labels(cells: pl.DataFrame, profile: Profile, tracker: "TrackerSettings") -> tuple[pl.DataFrame, pl.DataFrame]:
    """Our words by field, and the words that are not known: field, label, became, row."""
    ours: list[pl.Series] = []
    strange: list[pl.DataFrame] = []
    for field in LABELS:
        table: LabelTable | None = getattr(profile.labels, field)
        allowed = tracker.stations if field == "station" else LABELS[field]
        if table is None:
            ours.append(pl.Series(field, [None] * cells.height, dtype=pl.String))
            continue
        theirs = (
            pl.Series([table.value] * cells.height, dtype=pl.String)
            if table.value
            else cells.get_column(str(table.column))
        )
        words, unknown = _translate(theirs, table, allowed, field)
        ours.append(words)
        strange.append(unknown)
    empty = pl.DataFrame(schema={"row": pl.UInt32, "field": pl.String, "label": pl.String, "became": pl.String})
    return pl.DataFrame(ours), pl.concat([empty, *strange])


def _translate(
    theirs: pl.Series, table: LabelTable, allowed: tuple[str, ...], field: str
) -> tuple[pl.Series, pl.DataFrame]:
    known = {word: word for word in allowed} | {word.strip().lower(): our for word, our in table.words.items()}
    folded = theirs.str.strip_chars().str.to_lowercase()
    words = folded.replace_strict(known, default=None, return_dtype=pl.String).alias(field)
    became = "unknown" if table.unknown == "unknown" and "unknown" in allowed else None
    strange = (words.is_null() & theirs.is_not_null()).arg_true()
    lines = pl.DataFrame({"row": strange.cast(pl.UInt32), "label": theirs.gather(strange)}).select(
        "row", pl.lit(field).alias("field"), "label", pl.lit(became, pl.String).alias("became")
    )
    filled = (
        words
        if became is None
        else pl.select(
            pl.when(words.is_null() & theirs.is_not_null()).then(pl.lit(became)).otherwise(words).alias(field)
        ).to_series()
    )
    return filled, lines


def _readings(cells: pl.DataFrame, numbers: pl.DataFrame, profile: Profile) -> pl.DataFrame:
    """What the metrics read: numbers by reference, and the texts of clock faces. Zeros that mean nothing was measured are null."""
    texts = sorted({ref for spec in profile.metric.given().values() for ref in text_columns(spec)})
    zero = sorted(
        {
            ref
            for spec in profile.metric.given().values()
            if getattr(spec, "zero_is_null", False)
            for ref in columns(spec)
            if ref not in texts
        }
    )
    readings = numbers.with_columns(pl.when(pl.col(ref) != 0).then(pl.col(ref)).alias(ref) for ref in zero)
    return readings.drop(texts, strict=False).hstack(cells.select(texts))


def _rows(
    cells: pl.DataFrame,
    numbers: pl.DataFrame,
    stamps: Stamps,
    labels: pl.DataFrame,
    values: pl.DataFrame,
    tracker: "TrackerSettings",
    file: ExportFile,
) -> pl.DataFrame:
    """All rows as sightings, still with those that will be set aside."""
    profile = tracker.profile
    keys = {ours: getattr(profile.keys, key) for key, ours in _TEXT_KEYS.items()}
    counts = {name: getattr(profile.situation, name) for name in ("inning", "outs", "balls", "strikes")} | {
        "sequence": profile.keys.sequence
    }
    fixed = tracker.stations[0] if len(tracker.stations) == 1 else None
    frame = pl.DataFrame(
        [
            cells.get_column("file_row").cast(pl.UInt32),
            cells.get_column("file_order").cast(pl.UInt32),
            *(
                pl.Series(ours, [None] * cells.height, dtype=pl.String)
                if ref is None
                else cells.get_column(ref).alias(ours)
                for ours, ref in keys.items()
            ),
            *(_whole(numbers, ours, ref, cells.height) for ours, ref in counts.items()),
            stamps.thrown_at.alias("thrown_at"),
            stamps.baseball_day.alias("baseball_day"),
            *labels.get_columns(),
            *values.get_columns(),
        ]
    )
    exported = pl.col("station").is_not_null()
    by = profile.labels.pitch_type.by if profile.labels.pitch_type else None
    frame = frame.with_columns(
        tracker=pl.lit(tracker.id),
        file_id=pl.lit(file.file_id),
        venue=pl.lit(tracker.venue),
        station=pl.coalesce("station", pl.lit(fixed, pl.String)),
        station_by=pl.when(exported).then(pl.lit("export")).when(pl.lit(fixed is not None)).then(pl.lit("ledger")),
        clock_resolution_s=pl.when(pl.col("thrown_at").is_not_null()).then(pl.lit(stamps.resolution_s, pl.Float64)),
        pitch_type_by=pl.when(pl.col("pitch_type").is_not_null()).then(pl.lit(by, pl.String)),
    )
    usual = pl.col("station").replace_strict(tracker.default_occasions, default=None, return_dtype=pl.String)
    missing = [pl.lit(None, SIGHTINGS.polars_schema()[name]).alias(name) for name in LATER[3:]]
    wanted = {
        name: kind
        for name, kind in SIGHTINGS.polars_schema().items()
        if name not in LATER[:3] and name != "sighting_id"
    }
    return frame.with_columns(*missing, occasion=pl.coalesce("occasion", usual)).select(
        pl.col(name).cast(kind) for name, kind in wanted.items()
    )


def _whole(numbers: pl.DataFrame, ours: str, ref: str | None, rows: int) -> pl.Series:
    """A count; a number that is not whole or beyond any count is none."""
    if ref is None:
        return pl.Series(ours, [None] * rows, dtype=pl.Int64)
    value = numbers.get_column(ref)
    limit = 2**53 if ours == "sequence" else 100
    return pl.select(
        pl.when((value == value.round()) & (value.abs() < limit)).then(value).cast(pl.Int64).alias(ours)
    ).to_series()


def _identity(rows: pl.DataFrame, cells: pl.DataFrame, profile: Profile, tracker: str) -> pl.Series:
    """The sighting's id: from the tracker's own id of the pitch; else from where and when it stands, never from what a correction may change.

    Without an id: day, session, sequence number and stamp, and a counter where several rows share them. With nothing of these: the day, what
    the file carries of its date and session, and the place in the file.
    """
    stamp = [pl.col(ref).fill_null("") for ref in profile.time.stamp_columns]
    stamp_text = cells.select(pl.concat_str(stamp, separator=" ") if stamp else pl.lit("")).to_series()
    where = pl.concat_str(
        pl.lit(tracker),
        pl.col("baseball_day").cast(pl.String).fill_null(""),
        pl.col("native_session").fill_null(""),
        pl.col("sequence").cast(pl.String).fill_null(""),
        stamp_text.alias("stamp_text"),
        pl.lit("" if profile.labels.station is None else "s") + pl.col("station").fill_null(""),
        separator="|",
    )
    keyed = rows.with_columns(where=where).with_columns(nth=pl.int_range(pl.len()).over("where", order_by="file_order"))
    derived = pl.concat_str("where", pl.col("nth").cast(pl.String), separator="|")
    native = pl.format("{}|id|{}", pl.lit(tracker), "native_id")
    key = pl.when(pl.col("native_id").is_not_null()).then(native).otherwise(derived)
    keyed = keyed.select(key=key)
    return keyed.select(pl.format("s{}", plh.col("key").chash.sha2_256().str.slice(0, 16))).to_series()


def _is_empty(rows: pl.DataFrame) -> pl.Series:
    """Rows that nothing was measured of and that have no place in time or order either."""
    measured = pl.any_horizontal(pl.col(name).is_not_null() for name in (*METRICS, *TRAJECTORY))
    placed = pl.any_horizontal(pl.col(name).is_not_null() for name in ("native_id", "sequence", "thrown_at"))
    return rows.select(~(measured | placed)).to_series()


def _repeats(
    rows: pl.DataFrame, cells: pl.DataFrame, keep: pl.Series, profile: Profile, resolution_s: float | None
) -> tuple[pl.DataFrame, pl.Series]:
    """Within one file: rows alike in every cell, and older rows under one native id. Returns those set aside, and the new mask."""
    whole = [name for name in cells.columns if name not in ("file_row", "file_order")]
    told_apart = (
        profile.keys.native_id or profile.keys.sequence or (resolution_s is not None and resolution_s <= _FINE_CLOCK_S)
    )
    frame = cells.select(pl.struct(whole).hash().alias("content") if whole else pl.lit(0).alias("content")).hstack(
        rows.select("sighting_id", "file_order", "file_row", "native_id")
    )
    frame = frame.with_columns(keep=keep)
    alike = pl.lit(bool(told_apart)) & (
        pl.col("keep") & (pl.int_range(pl.len()).over("content", "keep", order_by="file_order") > 0)
    )
    frame = frame.with_columns(alike=alike)
    live = pl.col("keep") & ~pl.col("alike")
    older = (
        live
        & pl.col("native_id").is_not_null()
        & (pl.col("file_order") < pl.col("file_order").filter(live).max().over("sighting_id"))
    )
    frame = frame.with_columns(older=older)
    kind = pl.when("alike").then(pl.lit("repeat")).when("older").then(pl.lit("superseded"))
    first = pl.col("sighting_id").filter(live).first().over("content")
    told = frame.select("file_row", kind=kind, of=pl.when("alike").then(first).otherwise("sighting_id")).filter(
        pl.col("kind").is_not_null()
    )
    aside = _aside(rows.join(told.select("file_row", "kind", of_sighting_id="of"), on="file_row"), None)
    return aside, keep & frame.select(~(pl.col("alike") | pl.col("older"))).to_series()


_WHY = {
    "repeat": "the same row stands twice in this export",
    "superseded": "a later row of this export has the same id",
}


def _aside(rows: pl.DataFrame, kind: str | None) -> pl.DataFrame:
    """Rows as the table set_aside has them."""
    if kind is not None:
        rows = rows.with_columns(kind=pl.lit(kind), of_sighting_id=pl.lit(None, pl.String))
    else:
        rows = rows.with_columns(why=pl.col("kind").replace_strict(_WHY, default=None, return_dtype=pl.String))
    return rows.select(pl.col(name).cast(dtype) for name, dtype in SET_ASIDE.polars_schema().items())


def _quarantine(
    place: dict[str, str],
    cells: pl.DataFrame,
    refused: pl.DataFrame,
    unread: pl.DataFrame,
    stamps: Stamps,
    keep: pl.Series,
    rows: pl.DataFrame,
    bad: pl.Series,
    undated: pl.Series,
) -> pl.DataFrame:
    """Every line of this file: rows that the reader refused, rows without a date or anything measured, and values that could not be read."""
    numbers = unread.with_columns(
        level=pl.lit("value"),
        reason=pl.format("'{}' is no number", pl.col("value").str.slice(0, 40)),
        fix=pl.lit(
            "if it means not measured, add it to null_words; if it is one, look at decimal and thousands in [file] of the profile"
        ),
    )
    bad_rows = (
        rows.filter(bad)
        .select("file_row")
        .with_columns(
            level=pl.lit("row"),
            value=stamps.unread.filter(bad),
            reason=pl.when(undated.filter(bad))
            .then(pl.lit("no date is known"))
            .otherwise(pl.lit("nothing was measured, and the row has no time, number or id")),
            fix=pl.lit("look at [time] of the profile: formats, date_column"),
        )
    )
    odd = keep & (stamps.unread.is_not_null() | stamps.note.is_not_null())
    times = (
        cells.select(pl.col("file_row").cast(pl.UInt32))
        .filter(odd)
        .with_columns(
            level=pl.lit("value"),
            value=stamps.unread.filter(odd),
            reason=pl.coalesce(
                stamps.note.filter(odd), pl.lit("the stamp could not be read: the pitch keeps its place by order")
            ),
            fix=pl.lit("look at [time] formats in the profile"),
        )
    )
    lines = pl.concat([refused, numbers, bad_rows, times], how="diagonal_relaxed")
    lines = lines.with_columns(pl.lit(value).alias(name) for name, value in place.items())
    missing = [pl.lit(None, pl.String).alias(name) for name in QUARANTINE.names if name not in lines.columns]
    return lines.with_columns(missing).select(
        pl.col(name).cast(dtype) for name, dtype in QUARANTINE.polars_schema().items()
    )


def _metric_sources(profile: Profile, tracker: str, kept: pl.DataFrame, reasons: pl.DataFrame) -> pl.DataFrame:
    """For each metric that the profile gives: where it comes from, how it is defined there, and why it is missing where it is."""
    lines: list[dict[str, object]] = []
    given = profile.metric.given()
    computed = profile.trajectory.computes() if profile.trajectory else ()
    counted = reasons.group_by("metric", "reason").len().sort("metric", "reason")
    for metric in METRICS:
        spec = given.get(metric)
        if spec is None and metric not in computed:
            continue
        whys = counted.filter(pl.col("metric") == metric).select("reason", "len").rows() or [(None, 0)]
        head = {
            "tracker": tracker,
            "metric": metric,
            "column": ", ".join(columns(spec)) or None if spec else None,
            "unit": getattr(spec, "unit", None),
            "definition": spec.definition_text() if spec else "computed from the trajectory",
            "computed_from": getattr(spec, "computed_from", None) if spec else "trajectory",
            "sightings": kept.height,
            "measured": kept.get_column(metric).count(),
        }
        lines += [head | {"null_reason": why, "affected": affected} for why, affected in whys]
    return pl.DataFrame(lines, schema=METRIC_SOURCES.polars_schema())


def _unknown_labels(unknown: pl.DataFrame, tracker: str, keep: pl.Series) -> pl.DataFrame:
    kept = unknown.filter(keep.gather(unknown.get_column("row"))) if unknown.height else unknown
    counted = kept.group_by("field", "label", "became").agg(rows=pl.len()).with_columns(tracker=pl.lit(tracker))
    return counted.select(pl.col(name).cast(dtype) for name, dtype in UNKNOWN_LABELS.polars_schema().items()).sort(
        "field", "label"
    )


def _exported_at(cells: pl.DataFrame, profile: Profile) -> datetime | None:
    """When the export was made, by what it carries; the first row's where a column says it."""
    if profile.file.exported_at is None or cells.is_empty():
        return None
    text = cells.select(stamp=pl.col(profile.file.exported_at).drop_nulls().first())
    tries = [
        text.select(pl.col("stamp").str.to_datetime(form.replace(".%f", "%.f"), strict=False, time_unit="us")).item()
        if form not in ("iso8601",)
        else text.select(
            pl.col("stamp")
            .str.replace("T", " ")
            .str.slice(0, 19)
            .str.to_datetime("%Y-%m-%d %H:%M:%S", strict=False, time_unit="us")
        ).item()
        for form in profile.file.exported_at_formats
    ]
    return next((found for found in tries if found is not None), None)


def describe_columns(raw: RawExport, profile: Profile, mapped: Mapped) -> pl.DataFrame:
    """What `check` shows, one line for each of our columns: theirs, unit, definition, an example before and after; then theirs that no key names."""
    lines: list[tuple[str, ...]] = []
    first = mapped.sightings.head(200)
    for line in mapped.metric_sources.unique("metric", keep="first", maintain_order=True).to_dicts():
        column = line["column"]
        after = first.get_column(line["metric"]).drop_nulls()
        rows = first.filter(pl.col(line["metric"]).is_not_null()).get_column("file_row")
        before = _cell(raw, str(column).split(", ")[0], rows.first() if rows.len() else None) if column else ""
        shown = f"{after[0]:.3f}".rstrip("0").rstrip(".") if after.len() else "never measured"
        lines.append((line["metric"], column or "", line["unit"] or "", line["definition"] or "", before, shown))
    lines += [
        (
            ours,
            theirs,
            "",
            "",
            _cell(raw, theirs, first.get_column("file_row").first() if first.height else None),
            _shown(first, ours),
        )
        for ours, theirs in _other_columns(profile)
    ]
    named = set(profile.references())
    lines += [
        ("(not mapped)", name, "", "", "", "") for name in raw.cells.columns if name not in named and name != "file_row"
    ]
    return pl.DataFrame(
        lines, schema=["our column", "their column", "unit", "what theirs means", "before", "after"], orient="row"
    )


def _other_columns(profile: Profile) -> list[tuple[str, str]]:
    keys = [(ours, getattr(profile.keys, key)) for key, ours in _TEXT_KEYS.items()]
    keys += [
        ("sequence", profile.keys.sequence),
        *((name, getattr(profile.situation, name)) for name in ("inning", "outs", "balls", "strikes")),
    ]
    labels = [(field, table.column) for field, table in profile.labels.given().items() if table.column]
    time = [("thrown_at", ref) for ref in profile.time.stamp_columns] + (
        [("baseball_day", profile.time.date_column)] if profile.time.date_column else []
    )
    return [(ours, ref) for ours, ref in (*time, *keys, *labels) if ref]


def _cell(raw: RawExport, column: str, file_row: int | None) -> str:
    if column in raw.carried:
        return str(raw.carried[column])
    if file_row is None or column not in raw.cells.columns:
        return ""
    found = raw.cells.filter(pl.col("file_row") == file_row).get_column(column)
    return "" if found.is_empty() or found[0] is None else str(found[0])


def _shown(first: pl.DataFrame, ours: str) -> str:
    values = first.get_column(ours)
    return "" if values.is_empty() or values[0] is None else str(values[0])
