"""The nightly run: the steps in order. Start here.

`work_through` is the whole way from mapped rows to tables, and touches no disk; `run_night` reads the exports before it and publishes after it.
"""

import hashlib
import json
import logging
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import NamedTuple

import polars as pl

import pipeline
from pipeline.agreement import measure_agreement
from pipeline.agreement.corrections import Correction, apply_corrections
from pipeline.checking import check_sightings
from pipeline.inbox import ExportFile, list_exports
from pipeline.ledger import Ledger, TrackerSettings
from pipeline.matching import Matched, MatchSettings, match_sightings
from pipeline.players import name_players
from pipeline.publishing import publish, published_tables
from pipeline.reconciling import reconcile
from pipeline.repeats import order_exports, resolve_repeats
from pipeline.sources.mapping import Mapped, map_export
from pipeline.sources.readers import RawExport, UnreadableExport, read_export
from schemas.contract import conform
from schemas.metrics import METRICS
from schemas.tables import TABLES

log = logging.getLogger("pitchledger")
Progress = Callable[[str, int, int], None]


class NightReport(NamedTuple):
    """What a run did. `published` is false when nothing was new; then `tables` is empty and `version` the one that stands."""

    published: bool
    version: str
    files_new: int
    files_known: int
    files_gone: int
    started_at: datetime
    finished_at: datetime
    tables: dict[str, pl.DataFrame]


class Gathered(NamedTuple):
    """All exports as mapped rows. `files` has a row for each file; `newness` orders the exports of a tracker that hold the same sighting."""

    files: pl.DataFrame
    newness: pl.DataFrame
    mapped: Mapped


def run_night(ledger: Ledger, *, rebuild: bool = False, progress: Progress | None = None) -> NightReport:
    """Work through every export of `ledger`'s inboxes and publish the warehouse; do nothing where nothing has changed."""
    started_at = datetime.now(UTC)
    tell = progress or _log_progress
    exports = [file for tracker in ledger.trackers for file in list_exports(tracker.id, tracker.inbox)]
    before = published_tables(ledger.output, ("runs", "files"))
    fingerprint = _fingerprint(ledger, exports)
    known, gone = _compare(before.get("files"), exports)
    runs = before.get("runs")
    if runs is not None and not rebuild and runs.get_column("fingerprint").last() == fingerprint:
        version = str(runs.get_column("version").last())
        return NightReport(False, version, 0, len(exports), 0, started_at, datetime.now(UTC), {})
    gathered = gather(ledger, exports, tell)
    tables = work_through(gathered, ledger, tell)
    version = _next_version(started_at, runs)
    this_run = _run_row(version, started_at, fingerprint, len(exports) - known, gone, tables)
    history = [] if runs is None else [conform(runs, TABLES["runs"])]
    tables["runs"] = pl.concat([*history, conform(this_run, TABLES["runs"])])
    tell("publish", 0, 1)
    publish(tables, ledger.output, version, ledger.keep_versions)
    tell("publish", 1, 1)
    return NightReport(True, version, len(exports) - known, known, gone, started_at, datetime.now(UTC), tables)


def gather(ledger: Ledger, exports: Sequence[ExportFile], tell: Progress) -> Gathered:
    """Read and map every export; a file that can't be read becomes a quarantine line and a row of `files`."""
    trackers = {tracker.id: tracker for tracker in ledger.trackers}
    parts: list[Mapped] = []
    files: list[dict[str, object]] = []
    seen: set[str] = set()
    ordered = order_exports(exports)
    for number, file in enumerate(ordered):
        tell("read", number, len(ordered))
        mapped, facts = _take_in(file, trackers[file.tracker], known=file.file_id in seen)
        # the same bytes under a name that fits no pattern are refused: what was refused is not known
        if facts["status"] != "quarantined":
            seen.add(file.file_id)
        files.append(facts)
        parts.append(mapped)
    tell("read", len(ordered), len(ordered))
    listed = pl.DataFrame(files, schema=_FILE_FACTS, orient="row")
    stacked = {name: pl.concat(getattr(part, name) for part in [_nothing(), *parts]) for name in _FRAMES}
    return Gathered(listed, _newness(listed), Mapped(**stacked, exported_at=None))


_FRAMES = ("sightings", "set_aside", "quarantine", "metric_sources", "unknown_labels")
_FILE_FACTS: dict[str, pl.DataType | type[pl.DataType]] = {
    "file_id": pl.String,
    "tracker": pl.String,
    "file_name": pl.String,
    "sha256": pl.String,
    "bytes": pl.Int64,
    "modified_at": pl.Datetime("us", "UTC"),
    "status": pl.String,
    "rows": pl.UInt32,
    "reason": pl.String,
    "newest_by": pl.String,
    "exported_at": pl.Datetime("us"),
}


def _take_in(file: ExportFile, tracker: TrackerSettings, *, known: bool) -> tuple[Mapped, dict[str, object]]:
    """Read and map one export. Returns its rows, and what `files` says of it."""
    facts: dict[str, object] = {
        name: getattr(file, name) for name in ("file_id", "tracker", "file_name", "sha256", "bytes", "modified_at")
    }
    facts |= {"newest_by": tracker.profile.file.newest_by}
    try:
        raw, mapped = _read_and_map(file, tracker)
    except UnreadableExport as fault:
        log.warning("%s/%s is quarantined: %s", file.tracker, file.file_name, fault.reason)
        line = {"level": "file", "tracker": file.tracker, "file_id": file.file_id, "file_name": file.file_name}
        refused = pl.DataFrame(
            [line | {"reason": fault.reason, "fix": fault.fix}], schema=TABLES["quarantine"].polars_schema()
        )
        return _nothing()._replace(quarantine=refused), facts | {
            "status": "quarantined",
            "rows": 0,
            "reason": fault.reason,
        }
    facts |= {"rows": raw.rows_read, "exported_at": mapped.exported_at}
    if known:
        return _nothing(), facts | {"status": "repeat", "reason": "the same bytes stand in another file"}
    return mapped, facts | {"status": "read"}


def _read_and_map(file: ExportFile, tracker: TrackerSettings) -> tuple[RawExport, Mapped]:
    """Raises UnreadableExport and nothing else: one file must never cost the night."""
    if file.fault is not None:
        raise UnreadableExport(file.fault, "put the export itself into the inbox, so that it may be read")
    try:
        raw = read_export(file.path, tracker.profile)
        return raw, map_export(raw, tracker.profile, tracker, file)
    except UnreadableExport:
        raise
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt | SystemExit):
            raise
        # panics of compiled code are no Exception
        log.exception("%s/%s can't be mapped", file.tracker, file.file_name)
        raise UnreadableExport(
            f"can't be mapped, by a fault of the program: {type(error).__name__}: {str(error)[:200]}",
            "send the file and the log to whoever keeps the program",
        ) from error


def _nothing() -> Mapped:
    """A mapped export without any row."""
    frames = {name: TABLES[name].empty() for name in _FRAMES}
    frames["sightings"] = frames["sightings"].drop("pitch_id", "match_probability", "matched_by")
    return Mapped(**frames, exported_at=None)


def work_through(gathered: Gathered, ledger: Ledger, tell: Progress) -> dict[str, pl.DataFrame]:
    """The steps from mapped rows to every table but `runs`. Touches no disk."""
    mapped = gathered.mapped
    taken = gathered.files.filter(pl.col("status") == "read")
    file_names = dict(taken.select("file_id", "file_name").iter_rows())
    checked = check_sightings(mapped.sightings, ledger.limits, file_names)
    once = resolve_repeats(apply_corrections(checked.sightings, _corrections(ledger)), gathered.newness)
    named = name_players(once.sightings, ledger.roster, ledger.decisions)
    tell("match", 0, 1)
    ranks = {tracker.id: tracker.rank for tracker in ledger.trackers}
    stations = {tracker.id: tracker.stations for tracker in ledger.trackers}
    settings = MatchSettings(ledger.matching.doubtful_below, ledger.matching.merge_above)
    matched = match_sightings(named.sightings, ranks, settings, stations, ledger.decisions)
    tell("match", 1, 1)
    sightings = _located(named.sightings, matched.station_finds, ledger)
    sightings, aside = _set_aside_doubles(sightings, matched, ledger.decisions)
    reconciled = reconcile(
        sightings,
        matched.matches,
        matched.calibration,
        ranks,
        ledger.policies,
        ledger.tolerances,
        ledger.matching.doubtful_below,
        [tracker.id for tracker in ledger.trackers if tracker.profile.labels.occasion],
    )
    reconciled = reconciled._replace(pitch_aliases=_with_set_aside(reconciled.pitch_aliases, aside, matched.matches))
    tell("agree", 0, 1)
    agreement = measure_agreement(
        sightings,
        matched.matches,
        reconciled.pitches,
        ledger.tolerances,
        ranks,
        matched.match_pairs,
        mapped.metric_sources,
    )
    tell("agree", 1, 1)
    set_aside = pl.concat([conform(part, TABLES["set_aside"]) for part in (mapped.set_aside, once.set_aside, aside)])
    quarantine = pl.concat([conform(part, TABLES["quarantine"]) for part in (mapped.quarantine, checked.quarantine)])
    tables = {
        **reconciled._asdict(),
        **agreement._asdict(),
        **{name: getattr(matched, name) for name in ("match_pairs", "clocks", "calibration", "label_runs")},
        "sightings": _with_pitch(sightings, matched.matches),
        "players": named.players,
        "name_matches": named.name_matches,
        "set_aside": set_aside,
        "quarantine": quarantine,
        "metric_sources": _sources_of_trackers(mapped.metric_sources, sightings),
        "unknown_labels": mapped.unknown_labels.group_by("tracker", "field", "label", "became").agg(
            pl.col("rows").sum()
        ),
        "files": _count_files(gathered.files, sightings, set_aside, quarantine),
        "settings": _settings(ledger),
    }
    return {name: tables[name] for name in TABLES if name in tables}


def _corrections(ledger: Ledger) -> list[Correction]:
    return [
        Correction(table.tracker, table.metric, table.frame, table.amount, table.from_day, table.until_day, table.why)
        for table in ledger.corrections
    ]


def _located(sightings: pl.DataFrame, finds: pl.DataFrame, ledger: Ledger) -> pl.DataFrame:
    """Fill in the station that the matching found for roaming trackers, and the occasion that goes with it."""
    occasions = {
        station: occasion for tracker in ledger.trackers for station, occasion in tracker.default_occasions.items()
    }
    found = finds.select("sighting_id", found="station")
    sightings = sightings.join(found, on="sighting_id", how="left")
    by = (
        pl.when(pl.col("station").is_null() & pl.col("found").is_not_null())
        .then(pl.lit("matching"))
        .otherwise("station_by")
    )
    sightings = sightings.with_columns(station_by=by, station=pl.coalesce("station", "found")).drop("found")
    usual = pl.col("station").replace_strict(occasions, default=None, return_dtype=pl.String)
    return sightings.with_columns(occasion=pl.coalesce("occasion", usual))


def _set_aside_doubles(
    sightings: pl.DataFrame, matched: Matched, decisions: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Take out second records of one throw, and rows that a person has called no pitch."""
    doubles = matched.doubles.select(
        "sighting_id",
        "of_sighting_id",
        kind=pl.lit("double_trigger"),
        why=pl.lit("the tracker recorded one throw twice"),
    )
    no_pitch = (
        decisions.filter(pl.col("kind") == "no_pitch")
        .select(
            sighting_id="subject",
            of_sighting_id=pl.lit(None, pl.String),
            kind=pl.lit("no_pitch"),
            why=pl.lit("a person's decision"),
        )
        .unique("sighting_id", keep="first")
    )
    out = pl.concat([no_pitch, doubles]).unique("sighting_id", keep="first", maintain_order=True)
    where = sightings.select(
        "sighting_id",
        "tracker",
        "file_id",
        "file_row",
        "thrown_at",
        "pitcher_label",
        "release_speed_mph",
        "spin_rate_rpm",
    )
    aside = out.join(where, on="sighting_id")
    return sightings.join(out, on="sighting_id", how="anti"), aside


def _with_set_aside(aliases: pl.DataFrame, aside: pl.DataFrame, matches: pl.DataFrame) -> pl.DataFrame:
    """Aliases of sightings that are no pitch of their own any more: to the pitch of the record they double, or to none."""
    pitch = pl.format("p{}", pl.col("group_id").str.slice(1))
    whose = matches.select(of_sighting_id="sighting_id", pitch_id=pitch)
    gone = aside.join(whose, on="of_sighting_id", how="left").select(
        pl.format("p{}", pl.col("sighting_id").str.slice(1)).alias("old_pitch_id"), "pitch_id"
    )
    return pl.concat([aliases, gone]).unique("old_pitch_id", keep="first").sort("old_pitch_id")


def _with_pitch(sightings: pl.DataFrame, matches: pl.DataFrame) -> pl.DataFrame:
    belongs = matches.select(
        "sighting_id",
        "match_probability",
        pitch_id=pl.format("p{}", pl.col("group_id").str.slice(1)),
        matched_by="decided_by",
    )
    return sightings.join(belongs, on="sighting_id", how="left")


def _count_files(
    files: pl.DataFrame, sightings: pl.DataFrame, set_aside: pl.DataFrame, quarantine: pl.DataFrame
) -> pl.DataFrame:
    """The table `files`, with the counts of law 1: rows = sightings + repeats + no-pitch rows + quarantined rows."""
    kept = sightings.group_by("file_id").agg(
        sightings=pl.len(),
        first_thrown_at=pl.col("thrown_at").min(),
        last_thrown_at=pl.col("thrown_at").max(),
        baseball_day_first=pl.col("baseball_day").min(),
        baseball_day_last=pl.col("baseball_day").max(),
    )
    no_pitch = pl.col("kind") == "no_pitch"
    aside = set_aside.group_by("file_id").agg(no_pitch=no_pitch.sum(), repeats=(~no_pitch).sum())
    rows = (
        quarantine.filter(pl.col("level") == "row").group_by("file_id").agg(quarantined=pl.col("file_row").n_unique())
    )
    for counts in (kept, aside, rows):
        files = files.join(counts, on="file_id", how="left")
    numbers = ("sightings", "repeats", "no_pitch", "quarantined")
    again = pl.col("status") == "repeat"
    # a file_id is of the bytes: of two files alike, the counts are those of the one that was read
    files = files.with_columns(
        pl.when(pl.col("status") != "read")
        .then(pl.lit(0))
        .otherwise(pl.col(name).fill_null(0))
        .cast(pl.UInt32)
        .alias(name)
        for name in numbers
    )
    return files.with_columns(repeats=pl.when(again).then("rows").otherwise("repeats"))


def _sources_of_trackers(of_files: pl.DataFrame, sightings: pl.DataFrame) -> pl.DataFrame:
    """The lines of all files as lines of their tracker: the counts are those of the sightings that stand, the reasons add up over files."""
    line = [name for name in of_files.columns if name not in ("sightings", "measured", "affected")]
    lines = of_files.group_by(line).agg(pl.col("affected").sum())
    has_reason = pl.col("null_reason").is_not_null().any().over("tracker", "metric")
    lines = lines.filter(pl.col("null_reason").is_not_null() | ~has_reason)
    measured = (
        sightings.group_by("tracker")
        .agg(pl.col(*METRICS).count().cast(pl.UInt32))
        .unpivot(list(METRICS), index="tracker", variable_name="metric", value_name="measured")
    )
    counts = measured.join(sightings.group_by("tracker").agg(sightings=pl.len().cast(pl.UInt32)), on="tracker")
    joined = lines.join(counts, on=["tracker", "metric"], how="left")
    return joined.with_columns(pl.col("sightings", "measured").fill_null(0))


def _newness(files: pl.DataFrame) -> pl.DataFrame:
    """file_id, newness: within a tracker, which export is newer, by what its profile states. `files` comes in the order of names."""
    named = files.with_row_index("by_name").filter(pl.col("status") != "quarantined")
    time = (
        pl.when(pl.col("newest_by") == "exported_at")
        .then(pl.col("exported_at").dt.epoch("us"))
        .when(pl.col("newest_by") == "modified_time")
        .then(pl.col("modified_at").dt.epoch("us"))
    )
    ordered = named.with_columns(time=time).sort("tracker", "time", "by_name", nulls_last=False)
    return (
        ordered.unique("file_id", keep="first", maintain_order=True)
        .with_row_index("newness")
        .select("file_id", pl.col("newness").cast(pl.Int64))
    )


def _settings(ledger: Ledger) -> pl.DataFrame:
    rows = [
        ("gap_share", ledger.gaps.share, "a night has a gap where a tracker saw under this share of what another saw"),
        (
            "doubtful_below",
            ledger.matching.doubtful_below,
            "pitches matched with less probability are on the review list",
        ),
        ("merge_above", ledger.matching.merge_above, "two sightings are merged above this probability"),
    ]
    return pl.DataFrame(rows, schema={"setting": pl.String, "value": pl.Float64, "meaning": pl.String}, orient="row")


def _summed(lines: pl.DataFrame, counts: Sequence[str]) -> pl.DataFrame:
    """The lines of many files as one for each thing they speak of, its counts added up."""
    keys = [name for name in lines.columns if name not in counts]
    return lines.group_by(keys, maintain_order=True).agg(pl.col(counts).sum())


def _fingerprint(ledger: Ledger, exports: Sequence[ExportFile]) -> str:
    """Hash of all that the tables depend on: the program's version, the settings files, and every export's name and content."""
    facts = {
        "version": pipeline.__version__,
        "settings": {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in ledger.settings_files},
        "exports": sorted((file.tracker, file.file_name, file.sha256) for file in exports),
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()


def _compare(files: pl.DataFrame | None, exports: Sequence[ExportFile]) -> tuple[int, int]:
    """How many of the exports were in the last run, and how many of that run's are gone."""
    if files is None:
        return 0, 0
    before = set(files.select("tracker", "file_name", "sha256").iter_rows())
    now = {(file.tracker, file.file_name, file.sha256) for file in exports}
    names_now = {name[:2] for name in now}
    return len(before & now), sum(1 for old in before if old[:2] not in names_now)


def _next_version(started_at: datetime, runs: pl.DataFrame | None) -> str:
    """The run's time as a name that sorts; a second run within one second gets the next free one."""
    version = started_at.strftime("%Y%m%dT%H%M%SZ")
    taken = set() if runs is None else set(runs.get_column("version").to_list())
    number = 1
    while (version if number == 1 else f"{version}-{number}") in taken:
        number += 1
    return version if number == 1 else f"{version}-{number}"


def _run_row(
    version: str,
    started_at: datetime,
    fingerprint: str,
    files_new: int,
    files_gone: int,
    tables: dict[str, pl.DataFrame],
) -> pl.DataFrame:
    files = tables["files"]
    row = {
        "run_id": version,
        "version": version,
        "started_at": started_at,
        "finished_at": datetime.now(UTC),
        "status": "done",
        "files_new": files_new,
        "files_gone": files_gone,
        "rows": files.get_column("rows").sum(),
        "sightings": tables["sightings"].height,
        "pitches": tables["pitches"].height,
        "quarantined": files.get_column("quarantined").sum(),
        "message": f"{files_new} new exports of {files.height}",
        "fingerprint": fingerprint,
    }
    return pl.DataFrame(
        [row], schema_overrides={"started_at": pl.Datetime("us", "UTC"), "finished_at": pl.Datetime("us", "UTC")}
    )


def _log_progress(step: str, done: int, total: int) -> None:
    """Plain lines for a log: the beginning and the end of each step."""
    if done in (0, total):
        log.info("%s: %d of %d", step, done, total)
