"""A profile applied to an export: text cells into sightings of the common schema, with every row and every lost value accounted for."""

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, NamedTuple

import polars as pl
import polars_hash as plh

from pipeline.exports.inbox import ExportFile
from pipeline.exports.mapping.metrics import map_metrics
from pipeline.exports.mapping.null_reasons import Why
from pipeline.exports.mapping.timestamps import Stamps, read_moment, read_stamps
from pipeline.exports.readers.raw import FILE_ROW, RawExport
from pipeline.settings.metric_tables import columns, text_columns
from pipeline.settings.profile import Profile
from pipeline.settings.profile_tables import LABELS, LabelTable, NoPitchRule
from schemas.exports import METRIC_SOURCES, QUARANTINE, SET_ASIDE, UNKNOWN_LABELS
from schemas.metrics import METRICS, TRAJECTORY
from schemas.sightings import SIGHTINGS

if TYPE_CHECKING:
    from pipeline.settings.ledger import TrackerSettings

# columns that a later step fills
LATER = ("pitch_id", "match_probability", "matched_by", "pitcher_id", "pitcher_by", "batter_id", "corrections")
_TEXT_KEYS = {
    "native_id": "native_id",
    "session": "native_session",
    "pitcher": "pitcher_label",
    "pitcher_id": "pitcher_native_id",
    "batter": "batter_label",
    "batter_id": "batter_native_id",
    "team": "team_label",
}
# [0-9] and not \d: that is every script's digits, and costs a millisecond a column to compile
_NUMBER = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$"
_FINE_CLOCK_S = 1.0
_CORRECTED_WITHIN_S = 3_660
# enough for an example of each column
_ROWS_LOOKED_AT = 200
# besides the blank: no-break and figure spaces, and a byte order mark
_SPACES = " \t\r\n\u00a0\u202f\u2007\ufeff"
# what each count can be; a sequence only has to be a whole number that a float holds exactly
_COUNTS = {"inning": (0, 99), "outs": (0, 3), "balls": (0, 4), "strikes": (0, 3), "sequence": (-(2**53), 2**53)}


class Mapped(NamedTuple):
    """The rows of one export. `exported_at`: when it was made, where the profile says (naive, null otherwise)."""

    sightings: pl.DataFrame
    set_aside: pl.DataFrame
    quarantine: pl.DataFrame
    metric_sources: pl.DataFrame
    unknown_labels: pl.DataFrame
    exported_at: datetime | None


def map_export(raw: RawExport, profile: Profile, tracker: "TrackerSettings", file: ExportFile) -> Mapped:
    """Map a read export; read_export has seen to it that every column of the profile is there.

    rows read = sightings + set_aside + distinct rows quarantined at level "row" (those that the reader refused are among them).
    """
    cells = _referenced(raw, profile, tracker, file)
    content = raw.cells.drop(FILE_ROW).hash_rows(seed=0).alias("content")
    if profile.file.row_order == "newest_first":
        cells, content = cells.reverse(), content.reverse()
    cells = cells.with_row_index("file_order", offset=1)
    numbers, lost = _numbers(cells, profile)
    stamps = _stamps(cells, profile, tracker.time_zone)
    labels, unknown = _labels(cells, profile, tracker)
    mapped = map_metrics(
        _readings(cells, numbers, profile), profile.metric, profile.trajectory, labels.get_column("pitcher_hand")
    )
    rows = _rows(cells, numbers, stamps, labels, mapped.values, tracker, file)
    rows = _identified(rows, cells, content, profile)
    rows = _judged(rows, _no_pitch(cells, numbers, profile.no_pitch))
    keep = rows.get_column("fate").is_null()
    kept = rows.filter(keep)
    values = pl.concat(
        [
            _lost_numbers(lost, profile),
            _lost_faces(mapped.reasons, cells, profile),
            _lost_counts(cells, numbers, profile),
            _odd_times(cells, stamps, profile),
        ]
    )
    values = values.filter(pl.col("file_row").is_in(kept.get_column("file_row").implode()))
    quarantine = _in_place(
        [
            raw.problems,
            _lacking(raw, profile, tracker, file),
            values,
            _refused(rows, stamps, profile),
            _far_twins(rows, profile),
        ],
        file,
    )
    reasons = mapped.reasons.filter(pl.col("row").is_in(pl.Series(keep.arg_true()).implode()))
    return Mapped(
        kept.select(name for name in SIGHTINGS.names if name not in LATER[:3]),
        _aside(rows),
        quarantine,
        _metric_sources(profile, tracker.id, kept, reasons),
        _unknown_labels(unknown, tracker.id, keep),
        _exported_at(cells, profile),
    )


def _referenced(raw: RawExport, profile: Profile, tracker: "TrackerSettings", file: ExportFile) -> pl.DataFrame:
    """The cells that the profile names, by reference, as stripped text with nulls; and file_row. A carried value that this file lacks is null."""
    carried = _carried(raw, tracker, file)
    references = profile.references()
    nulls = sorted({"", *profile.file.null_words})
    return raw.cells.select(FILE_ROW, *(_text(ref, carried, nulls) for ref in references))


def _text(ref: str, carried: dict[str, str], nulls: list[str]) -> pl.Expr:
    cell = pl.lit(carried.get(ref), pl.String) if ref.startswith("@") else pl.col(ref)
    stripped = cell.str.strip_chars(_SPACES)
    return pl.when(~stripped.is_in(nulls)).then(stripped).alias(ref)


def _carried(raw: RawExport, tracker: "TrackerSettings", file: ExportFile) -> dict[str, str]:
    """Every carried value of this file by its reference."""
    folder = {"@folder": file.file_name.split("/")[0]} if "/" in file.file_name else {}
    return {**raw.carried, **folder, "@tracker": tracker.id}


def _lacking(raw: RawExport, profile: Profile, tracker: "TrackerSettings", file: ExportFile) -> pl.DataFrame:
    """A note for each carried value that the profile reads and this file does not have."""
    carried = _carried(raw, tracker, file)
    lines = [
        (
            "value",
            ref,
            f"this file carries no {ref}, which {key} reads",
            f"look at [file.preamble] and [file.name] in {profile.file_name}",
        )
        for ref, key in profile.references().items()
        if ref.startswith("@") and not carried.get(ref) and ref != "@folder"
    ]
    return pl.DataFrame(
        lines,
        schema=["level", "column", "reason", "fix"],
        orient="row",
        schema_overrides={"level": pl.String, "column": pl.String, "reason": pl.String, "fix": pl.String},
    )


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
    for name in _count_columns(profile).values():
        if name:
            found.setdefault(name, set())
    for rule in profile.no_pitch:
        if rule.below is not None or rule.above is not None:
            found.setdefault(rule.column, set())
    return {ref: tuple(sorted(words)) for ref, words in found.items()}


def parse_number(ref: str, decimal: str, thousands: str) -> pl.Expr:
    """Text into a number, null where it is none. A thousands sign counts only between groups of three digits: 95,1 is never 951."""
    text = pl.col(ref).str.replace("\u2212", "-", literal=True).str.replace("\u2013", "-", literal=True)
    if thousands == " ":
        text = text.str.replace_all("[\u00a0\u202f\u2007]", " ")
    if thousands:
        point = "\\" + decimal
        sign = "\\" + thousands
        grouped = rf"^[+-]?[0-9]{{1,3}}({sign}[0-9]{{3}})+({point}[0-9]*)?$"
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
    return numbers, _lost(texts, numbers)


def _lost(texts: pl.DataFrame, numbers: pl.DataFrame) -> pl.DataFrame:
    """A line for each text whose number is null: file_row, column, value."""
    held = texts.select(pl.col(numbers.columns).is_not_null().sum())
    read = numbers.select(pl.all().is_not_null().sum())
    short = [name for name in numbers.columns if held.get_column(name)[0] != read.get_column(name)[0]]
    lines = [
        texts.filter(texts.get_column(ref).is_not_null() & numbers.get_column(ref).is_null()).select(
            "file_row", column=pl.lit(ref), value=pl.col(ref)
        )
        for ref in short
    ]
    return pl.concat([pl.DataFrame(schema={"file_row": pl.UInt32, "column": pl.String, "value": pl.String}), *lines])


def _no_pitch(cells: pl.DataFrame, numbers: pl.DataFrame, rules: Sequence[NoPitchRule]) -> pl.Series:
    """Why a row is no pitch, by the first rule that it fits; null where it may be one."""
    why = pl.lit(None, pl.String)
    for rule in reversed(rules):
        why = pl.when(_test(rule)).then(pl.lit(rule.why)).otherwise(why)
    together = cells.select(pl.all().name.prefix("text ")).hstack(numbers.select(pl.all().name.prefix("number ")))
    return together.with_columns(why=why).get_column("why")


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
    tables = profile.labels.given()
    theirs = [
        (pl.lit(table.value) if table.value else pl.col(str(table.column))).alias(field)
        for field, table in tables.items()
    ]
    words = cells.select("file_row", *theirs)
    ours = words.select(
        "file_row",
        *(
            _translated(field, table, tracker.stations if field == "station" else LABELS[field])
            for field, table in tables.items()
        ),
    )
    strange = [
        _strange(words, ours, field, table)
        for field, table in tables.items()
        if ours.get_column(field).null_count() > words.get_column(field).null_count()
    ]
    empty = pl.DataFrame(schema={"row": pl.UInt32, "field": pl.String, "label": pl.String, "became": pl.String})
    absent = [pl.lit(None, pl.String).alias(field) for field in LABELS if field not in tables]
    filled = ours.with_columns(
        pl.when(ours.get_column(field).is_null() & words.get_column(field).is_not_null())
        .then(pl.lit(_unknown(field, table), pl.String))
        .otherwise(field)
        .alias(field)
        for field, table in tables.items()
        if _unknown(field, table)
    )
    return filled.with_columns(absent).select(list(LABELS)), pl.concat([empty, *strange])


def _translated(field: str, table: LabelTable, allowed: tuple[str, ...]) -> pl.Expr:
    """Our word for each of theirs, null where it is not known."""
    known = {word: word for word in allowed} | {
        word.strip().lower(): ours for word, ours in table.words.items() if not allowed or ours in allowed
    }
    return (
        pl.col(field)
        .str.to_lowercase()
        .replace_strict(list(known), list(known.values()), default=None, return_dtype=pl.String)
    )


def _unknown(field: str, table: LabelTable) -> str | None:
    return "unknown" if table.unknown == "unknown" and "unknown" in LABELS[field] else None


def _strange(words: pl.DataFrame, ours: pl.DataFrame, field: str, table: LabelTable) -> pl.DataFrame:
    """The words that are not known: row, field, label, became."""
    rows = (ours.get_column(field).is_null() & words.get_column(field).is_not_null()).arg_true()
    return pl.DataFrame({"row": rows.cast(pl.UInt32), "label": words.get_column(field).gather(rows)}).select(
        "row", field=pl.lit(field), label="label", became=pl.lit(_unknown(field, table), pl.String)
    )


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
    # built from columns: a frame without columns has no height
    return pl.DataFrame([*readings.drop(texts, strict=False).get_columns(), *cells.select(texts).get_columns()])


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
    counts = _count_columns(profile)
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
    """A count; a number that is not whole, or that no such count can be, is none."""
    if ref is None:
        return pl.Series(ours, [None] * rows, dtype=pl.Int64)
    return numbers.select(pl.when(_is_count(ref, ours)).then(pl.col(ref)).cast(pl.Int64).alias(ours)).to_series()


def _is_count(ref: str, ours: str) -> pl.Expr:
    value = pl.col(ref)
    return (value == value.round()) & value.is_between(*_COUNTS[ours])


def _identified(rows: pl.DataFrame, cells: pl.DataFrame, content: pl.Series, profile: Profile) -> pl.DataFrame:
    """Add `sighting_id`, and `again`: whether the row repeats an earlier one of this file in every cell.

    The id rests on the tracker's own id of the pitch; else on where and when the row stands: day, session, sequence number, stamp as
    written, and a counter where several rows share them; never on what a correction may change. Without session and stamp the values that
    the file carries (its date, pitcher, mound) part it from other files of the day. Rows alike in every cell are only told as repeats where
    something in them is unique: two throws in one minute may well read the same.
    """
    stamp = pl.concat_str([pl.col(ref) for ref in profile.time.stamp_columns], separator=" ", ignore_nulls=True)
    stamps = cells.with_columns(stamp_text=stamp if profile.time.stamp_columns else pl.lit("")).get_column("stamp_text")
    fine = pl.col("thrown_at").is_not_null() & (pl.col("clock_resolution_s") <= _FINE_CLOCK_S)
    unique = pl.col("native_id").is_not_null() | pl.col("sequence").is_not_null() | fine
    nowhere = pl.col("native_session").is_null() & (pl.col("stamp_text") == "")
    keyed = rows.hstack([content, stamps]).with_columns(again=unique & ~pl.col("content").is_first_distinct())
    parts = ("tracker", "baseball_day", "native_session", "sequence", "stamp_text")
    blank = [pl.col(name).cast(pl.String).fill_null("") for name in parts]
    where = pl.concat_str(
        *blank, pl.when(nowhere).then(pl.lit(_carried_text(cells, profile))).otherwise(pl.lit("")), separator="|"
    )
    keyed = keyed.with_columns(where=where)
    # rows stand in file_order; a repeat takes the number of the row that it repeats
    keyed = keyed.with_columns(nth=(~pl.col("again")).cast(pl.Int64).cum_sum().over("where"))
    keyed = keyed.with_columns(nth=pl.when("again").then(pl.col("nth").first().over("content")).otherwise("nth"))
    derived = pl.concat_str("where", pl.col("nth").cast(pl.String), separator="|")
    key = (
        pl.when(pl.col("native_id").is_not_null())
        .then(pl.format("{}|id|{}", "tracker", "native_id"))
        .otherwise(derived)
    )
    keyed = keyed.with_columns(key=key).with_columns(
        sighting_id=pl.format("s{}", plh.col("key").chash.sha2_256().str.slice(0, 16))
    )
    return keyed.select(*rows.columns, "sighting_id", "again")


def _carried_text(cells: pl.DataFrame, profile: Profile) -> str:
    """The carried values that say which file of the day this is; when it was exported does not."""
    refs = [ref for ref in profile.references() if ref.startswith("@") and ref != profile.file.exported_at]
    if cells.is_empty():
        return ""
    return "|".join(str(cells.get_column(ref)[0] or "") for ref in sorted(refs))


def _judged(rows: pl.DataFrame, no_pitch: pl.Series) -> pl.DataFrame:
    """Add what becomes of each row: `fate` null = a sighting, quarantined, or a kind of set_aside; with `why` and `of_sighting_id`."""
    measured = pl.any_horizontal(pl.col(name).is_not_null() for name in (*METRICS, *TRAJECTORY))
    placed = pl.any_horizontal(pl.col(name).is_not_null() for name in ("native_id", "sequence", "thrown_at"))
    refused = pl.col("baseball_day").is_null() | ~(measured | placed)
    rows = rows.with_columns(no_pitch.alias("why"))
    fate = (
        pl.when(pl.col("why").is_not_null())
        .then(pl.lit("no_pitch"))
        .when(refused)
        .then(pl.lit("quarantined"))
        .when("again")
        .then(pl.lit("repeat"))
    )
    rows = rows.with_columns(fate=fate)
    live = pl.col("fate").is_null()
    later = pl.col("file_order").filter(live).max().over("sighting_id")
    rows = rows.with_columns(
        fate=pl.when(live & (pl.col("file_order") < later)).then(pl.lit("superseded")).otherwise("fate")
    )
    inner = pl.col("fate").is_in(["repeat", "superseded"])
    return rows.with_columns(
        why=pl.when(inner)
        .then(pl.col("fate").replace_strict(_WHY, default=None, return_dtype=pl.String))
        .otherwise("why"),
        of_sighting_id=pl.when(inner).then("sighting_id"),
    )


_WHY = {
    "repeat": "the same row stands twice in this export",
    "superseded": "a later row of this export has the same id",
}


def _aside(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows that are no sightings of their own, as the table set_aside has them."""
    aside = rows.filter(pl.col("fate").is_in(("no_pitch", *_WHY))).with_columns(kind="fate", found_in=pl.lit("export"))
    return aside.select(pl.col(name).cast(dtype) for name, dtype in SET_ASIDE.polars_schema().items())


def _refused(rows: pl.DataFrame, stamps: Stamps, profile: Profile) -> pl.DataFrame:
    """The rows that can't be placed, with the reason."""
    bad = rows.with_columns(stamps.unread.alias("unread")).filter(pl.col("fate") == "quarantined")
    undated = pl.col("baseball_day").is_null()
    unread = pl.col("unread").is_not_null()
    time = profile.time
    return bad.select(
        "file_row",
        level=pl.lit("row"),
        column=pl.when(undated).then(
            pl.lit(", ".join((*time.stamp_columns, *([time.date_column] if time.date_column else []))))
        ),
        metric=pl.when(undated).then(pl.lit("baseball_day")),
        value=pl.when(undated).then("unread"),
        reason=pl.when(undated & unread)
        .then(pl.lit("no date: the stamp or date does not fit the formats of the profile"))
        .when(undated)
        .then(pl.lit("no date: neither a stamp nor a date is there"))
        .otherwise(pl.lit("nothing was measured, and the row has no time, number or id")),
        fix=pl.when(undated)
        .then(pl.lit(f"look at [time] in {profile.file_name}: formats, zone, date_column, date_formats"))
        .otherwise(pl.lit("if such rows are no pitches, say so with [[no_pitch]] in the profile")),
    )


def _far_twins(rows: pl.DataFrame, profile: Profile) -> pl.DataFrame:
    """A line for each row that an hour-later row of the same native id has replaced: an id that starts anew would make pitches vanish."""
    winner = pl.col("thrown_at").filter(pl.col("fate").is_null()).first().over("sighting_id")
    apart = (winner - pl.col("thrown_at")).dt.total_seconds().abs()
    # an hour is what a clock set right for daylight saving moves
    twins = rows.filter((pl.col("fate") == "superseded") & (apart > _CORRECTED_WITHIN_S))
    return twins.select(
        "file_row",
        level=pl.lit("value"),
        column=pl.lit(profile.keys.native_id, pl.String),
        metric=pl.lit("native_id"),
        value="native_id",
        reason=pl.lit("a row thrown more than an hour apart has the same native id and has replaced this one"),
        fix=pl.lit(
            f"if the id starts anew, it is no native_id: use session and sequence in [keys] of {profile.file_name}"
        ),
    )


def _lost_numbers(lost: pl.DataFrame, profile: Profile) -> pl.DataFrame:
    """A line for each text that should be a number and is none."""
    ours = _read_into(profile)
    return lost.select(
        "file_row",
        "column",
        "value",
        level=pl.lit("value"),
        metric=pl.col("column").replace_strict(ours, default=None, return_dtype=pl.String),
        reason=pl.lit("is no number"),
        fix=pl.lit(
            f"if it means not measured, add it to null_words; else look at decimal and thousands in {profile.file_name}"
        ),
    )


def _lost_faces(reasons: pl.DataFrame, cells: pl.DataFrame, profile: Profile) -> pl.DataFrame:
    """A line for each text that should be a clock face and is none."""
    parts = [_no_lines()]
    for metric, spec in profile.metric.given().items():
        for ref in text_columns(spec):
            rows = reasons.filter((pl.col("metric") == metric) & (pl.col("reason") == Why.NO_CLOCK.text)).get_column(
                "row"
            )
            parts.append(
                cells.select("file_row", value=pl.col(ref))[rows].select(
                    "file_row",
                    column=pl.lit(ref),
                    value="value",
                    level=pl.lit("value"),
                    metric=pl.lit(metric),
                    reason=pl.lit("is no clock face (h:mm, or hours below 13)"),
                    fix=pl.lit(f"if it means not measured, add it to null_words in [file] of {profile.file_name}"),
                )
            )
    return pl.concat(parts)


def _read_into(profile: Profile) -> dict[str, str]:
    """What each number column becomes: the first of ours that reads it."""
    pairs = [(ref, metric) for metric, spec in profile.metric.given().items() for ref in columns(spec)]
    pairs += [(ref, "trajectory") for ref in (columns(profile.trajectory) if profile.trajectory else ())]
    pairs += [(ref, ours) for ours, ref in _count_columns(profile).items() if ref]
    return dict(reversed(pairs))


def _count_columns(profile: Profile) -> dict[str, str | None]:
    situation = profile.situation
    return {
        "inning": situation.inning,
        "outs": situation.outs,
        "balls": situation.balls,
        "strikes": situation.strikes,
        "sequence": profile.keys.sequence,
    }


def _lost_counts(cells: pl.DataFrame, numbers: pl.DataFrame, profile: Profile) -> pl.DataFrame:
    """A line for each number that can't be the count it should be: 4 outs, inning 2.5."""
    lines = [
        cells.filter(
            numbers.select((pl.col(ref).is_not_null() & ~_is_count(ref, ours)).alias("odd")).to_series()
        ).select(
            "file_row",
            column=pl.lit(ref),
            value=pl.col(ref),
            level=pl.lit("value"),
            metric=pl.lit(ours),
            reason=pl.lit(
                f"{ours} is a whole number"
                + ("" if ours == "sequence" else f" from {_COUNTS[ours][0]} to {_COUNTS[ours][1]}")
            ),
            fix=pl.lit("look at the row in the export, or at the profile's column"),
        )
        for ours, ref in _count_columns(profile).items()
        if ref
    ]
    return pl.concat([_no_lines(), *lines])


def _no_lines() -> pl.DataFrame:
    names = ("column", "value", "level", "metric", "reason", "fix")
    return pl.DataFrame(schema={"file_row": pl.UInt32} | dict.fromkeys(names, pl.String))


def _odd_times(cells: pl.DataFrame, stamps: Stamps, profile: Profile) -> pl.DataFrame:
    """A line for each stamp that could not be read, and for each local time that needed an assumption."""
    time = profile.time
    frame = cells.select("file_row").with_columns(stamps.unread.alias("unread"), stamps.note.alias("note"))
    if time.stamp_columns:
        written = pl.concat_str(list(time.stamp_columns), separator=" ", ignore_nulls=True)
        frame = frame.with_columns(cells.select(written=written).to_series())
    else:
        frame = frame.with_columns(written=pl.lit(None, pl.String))
    return frame.filter(pl.col("unread").is_not_null() | pl.col("note").is_not_null()).select(
        "file_row",
        column=pl.lit(", ".join(time.stamp_columns or (time.date_column or "",))),
        value=pl.coalesce("unread", "written"),
        level=pl.lit("value"),
        metric=pl.lit(None, pl.String),
        reason=pl.coalesce("note", pl.lit("the stamp can't be read: the pitch keeps its place by order")),
        fix=pl.lit(f"look at [time] in {profile.file_name}: formats, zone"),
    )


def _in_place(parts: Sequence[pl.DataFrame], file: ExportFile) -> pl.DataFrame:
    """All lines of this file as the table quarantine has them."""
    lines = pl.concat(parts, how="diagonal_relaxed").with_columns(
        tracker=pl.lit(file.tracker), file_id=pl.lit(file.file_id), file_name=pl.lit(file.file_name)
    )
    return lines.select(pl.col(name).cast(dtype) for name, dtype in QUARANTINE.polars_schema().items())


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
    text = cells.get_column(profile.file.exported_at).drop_nulls()
    return read_moment(None if text.is_empty() else text[0], profile.file.exported_at_formats)


def describe_columns(raw: RawExport, profile: Profile, mapped: Mapped) -> pl.DataFrame:
    """What `check` shows, one line for each of our columns: theirs, unit, definition, an example before and after; then theirs that no key names."""
    first = mapped.sightings.head(_ROWS_LOOKED_AT)
    most = pl.col("affected") == pl.col("affected").max().over("metric")
    sources = mapped.metric_sources.filter(most).unique("metric", keep="first", maintain_order=True)
    lines = [_described_metric(raw, first, line) for line in sources.iter_rows(named=True)]
    lines += [_described(raw, first, ours, theirs) for ours, theirs in _other_columns(profile)]
    named = {*profile.references(), FILE_ROW}
    lines += [("(not mapped)", name, "", "", "", "") for name in raw.cells.columns if name not in named]
    names = ["our column", "their column", "unit", "what theirs means", "before", "after"]
    return pl.DataFrame(lines, schema=dict.fromkeys(names, pl.String), orient="row")


def _described_metric(raw: RawExport, first: pl.DataFrame, line: dict[str, Any]) -> tuple[str, ...]:
    column = str(line["column"] or "")
    measured = first.filter(pl.col(line["metric"]).is_not_null())
    after = (
        f"{measured.get_column(line['metric'])[0]:.3f}".rstrip("0").rstrip(".") if measured.height else "never measured"
    )
    if not measured.height and line["null_reason"]:
        after += f": {line['null_reason']}"
    rows = (measured if measured.height else first).get_column(FILE_ROW)
    before = " ".join(_example(raw, name, rows) for name in column.split(", ")) if column else ""
    return line["metric"], column, line["unit"] or "", line["definition"] or "", before, after


def _described(raw: RawExport, first: pl.DataFrame, ours: str, theirs: str) -> tuple[str, ...]:
    filled = first.filter(pl.col(ours).is_not_null())
    after = str(filled.get_column(ours)[0]) if filled.height else "never known"
    return ours, theirs, "", "", _example(raw, theirs, (filled if filled.height else first).get_column(FILE_ROW)), after


def _example(raw: RawExport, column: str, rows: pl.Series) -> str:
    """The first cell of `rows` that holds something, or the value that the file carries."""
    if column not in raw.cells.columns:
        return raw.carried.get(column, "")
    cells = raw.cells.filter(pl.col(FILE_ROW).is_in(rows.implode())).get_column(column).drop_nulls()
    return next((cell for cell in cells if cell.strip()), "")


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
