"""Apply a profile to an export: text cells become sightings of the common schema, and every row and lost value is accounted for."""

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, NamedTuple

import polars as pl

from pipeline.exports.inbox import ExportFile
from pipeline.exports.mapping.cells import Cells, carried_values, count_columns, is_count, read_cells
from pipeline.exports.mapping.identity import add_sighting_id
from pipeline.exports.mapping.labels import count_unknown, translate_labels
from pipeline.exports.mapping.lost_values import (
    lost_values,
    missing_carried_values,
    quarantine_table,
    reused_ids,
    unplaced_rows,
)
from pipeline.exports.mapping.metrics import map_metrics
from pipeline.exports.mapping.timestamps import Stamps, read_moment, read_stamps
from pipeline.exports.readers.raw import RawExport
from pipeline.settings.metric_tables import columns, text_columns
from pipeline.settings.profile import Profile
from pipeline.settings.profile_tables import NoPitchRule
from schemas.exports import METRIC_SOURCES, SET_ASIDE
from schemas.metrics import METRICS, TRAJECTORY
from schemas.sightings import SIGHTINGS_FRAME

if TYPE_CHECKING:
    from pipeline.settings.ledger import TrackerSettings

# keys of [keys] and the columns that they fill
TEXT_KEYS = {
    "native_id": "native_id",
    "session": "native_session",
    "pitcher": "pitcher_label",
    "pitcher_id": "pitcher_native_id",
    "batter": "batter_label",
    "batter_id": "batter_native_id",
    "team": "team_label",
}
# columns that naming and corrections fill after mapping
_FILLED_LATER = ("pitcher_id", "pitcher_by", "batter_id", "corrections")
_WHY_SET_ASIDE = {
    "repeat": "the same row occurs twice in this export",
    "superseded": "a later row of this export has the same id",
}

# how the words for a warm-up throw begin, in an export or in a rule's `why`
_WARM_UP = "warm"


class Mapped(NamedTuple):
    """The rows of one export. `exported_at`: when it was made, where the profile says (naive, null otherwise)."""

    sightings: pl.DataFrame
    set_aside: pl.DataFrame
    quarantine: pl.DataFrame
    metric_sources: pl.DataFrame
    unknown_labels: pl.DataFrame
    exported_at: datetime | None


def map_export(raw: RawExport, tracker: "TrackerSettings", file: ExportFile) -> Mapped:
    """Map an export that read_export has read: every column of the tracker's profile is there.

    rows read = sightings + set_aside + distinct rows quarantined at level "row" (those that the reader refused are among them).
    """
    profile = tracker.profile
    carried = carried_values(raw, tracker, file)
    cells = read_cells(raw, profile, carried)
    stamps = _stamps(cells, profile, tracker.time_zone)
    labels = translate_labels(cells, tracker)
    hand = labels.fields.get_column("pitcher_hand")
    metrics = map_metrics(_readings(cells, profile), profile.metric, profile.trajectory, hand)
    columns_found = [*_keys_and_counts(cells, profile), *labels.fields.get_columns(), *metrics.values.get_columns()]
    rows = _with_place(pl.DataFrame(columns_found), stamps, tracker, file.file_id)
    rows = add_sighting_id(rows, cells, profile)
    rows = _with_fate(rows.hstack(_non_pitches(cells, profile.no_pitch)))
    is_sighting = rows.get_column("fate").is_null()
    sightings = rows.filter(is_sighting)
    lost = lost_values(cells, stamps, metrics.reasons, profile)
    quarantine = quarantine_table(
        [
            raw.problems,
            missing_carried_values(carried, profile),
            lost.filter(pl.col("file_row").is_in(sightings.get_column("file_row").implode())),
            unplaced_rows(rows, stamps, profile),
            reused_ids(rows, profile),
        ],
        file,
    )
    null_reasons = metrics.reasons.filter(pl.col("row").is_in(pl.Series(is_sighting.arg_true()).implode()))
    return Mapped(
        sightings.select(SIGHTINGS_FRAME.names),
        _set_aside(rows),
        quarantine,
        _metric_sources(tracker, sightings, null_reasons),
        count_unknown(labels.unknown, tracker.id, is_sighting),
        _exported_at(cells, profile),
    )


def _stamps(cells: Cells, profile: Profile, venue_zone: str) -> Stamps:
    time = profile.time
    stamp = None
    if time.stamp_columns:
        stamp = cells.text.select(pl.concat_str(list(time.stamp_columns), separator=" ").alias("stamp")).to_series()
    date_text = cells.text.get_column(time.date_column) if time.date_column else None
    return read_stamps(stamp, date_text, time, venue_zone, cells.height)


def _readings(cells: Cells, profile: Profile) -> pl.DataFrame:
    """Return what the metrics read: numbers by reference, and the texts of clock faces. Zeros that mean not measured become null."""
    specs = profile.metric.given().values()
    texts = sorted({ref for spec in specs for ref in text_columns(spec)})
    zero_is_null = {ref for spec in specs if getattr(spec, "zero_is_null", False) for ref in columns(spec)}
    readings = cells.numbers.with_columns(
        pl.when(pl.col(ref) != 0).then(pl.col(ref)).alias(ref) for ref in sorted(zero_is_null.difference(texts))
    )
    # built from columns: a frame without columns has no height
    return pl.DataFrame([*readings.drop(texts, strict=False).get_columns(), *cells.text.select(texts).get_columns()])


def _keys_and_counts(cells: Cells, profile: Profile) -> list[pl.Series]:
    """Return the row's place in the file, the device's keys as text and the counts; a number that can't be that count is null."""
    place = [cells.text.get_column(name).cast(pl.UInt32) for name in ("file_row", "file_order")]
    keys = {ours: getattr(profile.keys, key) for key, ours in TEXT_KEYS.items()}
    text = [
        pl.lit(None, pl.String).alias(ours) if ref is None else pl.col(ref).alias(ours) for ours, ref in keys.items()
    ]
    counts = [
        pl.lit(None, pl.Int64).alias(field)
        if ref is None
        else pl.when(is_count(ref, field)).then(pl.col(ref)).cast(pl.Int64).alias(field)
        for field, ref in count_columns(profile).items()
    ]
    # built from columns: a frame without columns has no height
    numbers = pl.DataFrame([*place, *cells.numbers.get_columns()])
    return [
        *place,
        *cells.text.with_columns(text).select(list(keys)).get_columns(),
        *numbers.with_columns(counts).select(list(count_columns(profile))).get_columns(),
    ]


def _with_place(rows: pl.DataFrame, stamps: Stamps, tracker: "TrackerSettings", file_id: str) -> pl.DataFrame:
    """Add tracker, file, time, station and occasion: rows as sightings without an id, including those that will be set aside."""
    only_station = tracker.stations[0] if len(tracker.stations) == 1 else None
    pitch_type = tracker.profile.labels.pitch_type
    rows = rows.with_columns(
        stamps.thrown_at.alias("thrown_at"),
        stamps.baseball_day.alias("baseball_day"),
        tracker=pl.lit(tracker.id),
        file_id=pl.lit(file_id),
        venue=pl.lit(tracker.venue),
        station=pl.coalesce("station", pl.lit(only_station, pl.String)),
        station_by=pl.when(pl.col("station").is_not_null())
        .then(pl.lit("export"))
        .when(pl.lit(only_station is not None))
        .then(pl.lit("ledger")),
        pitch_type_by=pl.when(pl.col("pitch_type").is_not_null()).then(
            pl.lit(pitch_type.by if pitch_type else None, pl.String)
        ),
    )
    usual = pl.col("station").replace_strict(tracker.default_occasions, default=None, return_dtype=pl.String)
    schema = SIGHTINGS_FRAME.polars_schema()
    return rows.with_columns(
        *(pl.lit(None, schema[name]).alias(name) for name in _FILLED_LATER),
        occasion=pl.coalesce("occasion", usual),
        clock_resolution_s=pl.when(pl.col("thrown_at").is_not_null()).then(pl.lit(stamps.resolution_s, pl.Float64)),
    ).select(pl.col(name).cast(dtype) for name, dtype in schema.items() if name != "sighting_id")


def _non_pitches(cells: Cells, rules: Sequence[NoPitchRule]) -> pl.DataFrame:
    """Return `why` a row is not a pitch, by the first rule that it meets (null where it may be one), and `is_warm_up`."""
    reason, warm_up = pl.lit(None, pl.String), pl.lit(None, pl.Boolean)
    for rule in reversed(rules):
        meets = _meets(rule)
        reason = pl.when(meets).then(pl.lit(rule.why)).otherwise(reason)
        warm_up = pl.when(meets).then(_is_warm_up(rule)).otherwise(warm_up)
    both = cells.text.select(pl.all().name.prefix("text ")).hstack(
        cells.numbers.select(pl.all().name.prefix("number "))
    )
    # built from columns: a frame without columns has no height
    return both.with_columns(why=reason, is_warm_up=warm_up).select("why", "is_warm_up")


def _is_warm_up(rule: NoPitchRule) -> pl.Expr:
    if rule.is_warm_up is not None:
        return pl.lit(rule.is_warm_up)
    says_warm_up = pl.lit(rule.why.strip().lower().startswith(_WARM_UP))
    return says_warm_up | pl.col(f"text {rule.column}").str.to_lowercase().str.starts_with(_WARM_UP).fill_null(False)


def _meets(rule: NoPitchRule) -> pl.Expr:
    text, number = pl.col(f"text {rule.column}"), pl.col(f"number {rule.column}")
    if rule.words is not None:
        return text.str.to_lowercase().is_in([word.strip().lower() for word in rule.words]).fill_null(False)
    if rule.below is not None:
        return (number < rule.below).fill_null(False)
    if rule.above is not None:
        return (number > rule.above).fill_null(False)
    return text.is_null()


def _with_fate(rows: pl.DataFrame) -> pl.DataFrame:
    """Add `fate`: null for a sighting, else quarantined or a kind of set_aside; complete `why`, add `kept_sighting_id`."""
    measured = pl.any_horizontal(pl.col(name).is_not_null() for name in (*METRICS, *TRAJECTORY))
    placed = pl.any_horizontal(pl.col(name).is_not_null() for name in ("native_id", "sequence", "thrown_at"))
    fate = (
        pl.when(pl.col("why").is_not_null())
        .then(pl.lit("no_pitch"))
        .when(pl.col("baseball_day").is_null() | ~(measured | placed))
        .then(pl.lit("quarantined"))
        .when("is_repeat")
        .then(pl.lit("repeat"))
    )
    rows = rows.with_columns(fate=fate)
    is_sighting = pl.col("fate").is_null()
    last = pl.col("file_order").filter(is_sighting).max().over("sighting_id")
    rows = rows.with_columns(
        fate=pl.when(is_sighting & (pl.col("file_order") < last)).then(pl.lit("superseded")).otherwise("fate")
    )
    has_other = pl.col("fate").is_in(list(_WHY_SET_ASIDE))
    return rows.with_columns(
        why=pl.when(has_other)
        .then(pl.col("fate").replace_strict(_WHY_SET_ASIDE, default=None, return_dtype=pl.String))
        .otherwise("why"),
        kept_sighting_id=pl.when(has_other).then("sighting_id"),
    )


def _set_aside(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the rows that are not sightings of their own, as table set_aside."""
    aside = rows.filter(pl.col("fate").is_in(("no_pitch", *_WHY_SET_ASIDE))).with_columns(
        kind="fate", stage=pl.lit("export")
    )
    return aside.select(pl.col(name).cast(dtype) for name, dtype in SET_ASIDE.polars_schema().items())


def _metric_sources(tracker: "TrackerSettings", sightings: pl.DataFrame, null_reasons: pl.DataFrame) -> pl.DataFrame:
    """Return for each metric of the profile: its column, its definition there, and why it is missing where it is."""
    profile = tracker.profile
    lines: list[dict[str, object]] = []
    given = profile.metric.given()
    computed = profile.trajectory.computes() if profile.trajectory else ()
    counted = null_reasons.group_by("metric", "reason").len().sort("metric", "reason")
    for metric in METRICS:
        spec = given.get(metric)
        if spec is None and metric not in computed:
            continue
        reasons = counted.filter(pl.col("metric") == metric).select("reason", "len").rows() or [(None, 0)]
        source = {
            "tracker": tracker.id,
            "metric": metric,
            "column": ", ".join(columns(spec)) or None if spec else None,
            "unit": getattr(spec, "unit", None),
            "definition": spec.definition_text() if spec else "computed from the trajectory",
            "computed_from": getattr(spec, "computed_from", None) if spec else "trajectory",
            "sightings": sightings.height,
            "measured": sightings.get_column(metric).count(),
        }
        lines += [source | {"null_reason": reason, "affected": affected} for reason, affected in reasons]
    return pl.DataFrame(lines, schema=METRIC_SOURCES.polars_schema())


def _exported_at(cells: Cells, profile: Profile) -> datetime | None:
    """Return when the export was made, by what it carries; by the first row where a column says it."""
    if profile.file.exported_at is None or cells.text.is_empty():
        return None
    text = cells.text.get_column(profile.file.exported_at).drop_nulls()
    return read_moment(None if text.is_empty() else text[0], profile.file.exported_at_formats)
