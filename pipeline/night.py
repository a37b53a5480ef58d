"""The nightly run: the steps in order. Start here.

`plan_night` (planning.py) says what is to be done, `prepare` (preparing.py) goes from exports to named sightings, `work_through` from there
to every table, and `run_night` publishes them. What nothing touched is not worked through again: it stands as the run before published it.
"""

import contextlib
import hashlib
import json
import logging
from datetime import UTC, date, datetime
from pathlib import Path
from typing import NamedTuple

import polars as pl

from pipeline.agreement import (
    MatchedPitches,
    NightFacts,
    Standards,
    agreement_of_nights,
    measure_nights,
    replace_nights,
)
from pipeline.exports.archive import clear_archive, keep_export
from pipeline.exports.inbox import ExportFile, scan_inbox
from pipeline.exports.reading import Progress
from pipeline.incremental.accounting import (
    count_files,
    decisions_table,
    measured_rows,
    nights_told,
    settings_table,
    sources_of_trackers,
    standing_rows,
    trackers_table,
    words_of_trackers,
)
from pipeline.incremental.affected_nights import Prepared, prepare
from pipeline.incremental.plan import Plan, known_files, plan_night
from pipeline.incremental.previous_run import Memory, reading_ahead, recall, renewed, renewed_files, write_memory
from pipeline.matching import Matched, MatchSettings, match_sightings
from pipeline.pitches.reconcile import Reconciled, nights_valued_anew, reconcile
from pipeline.players.identify import name_matches_of, players_of
from pipeline.settings.ledger import Ledger
from pipeline.settings.people import named_sightings
from pipeline.warehouse.publish import Base, prefetch_database, publish
from pipeline.warehouse.run_log import Outcome, record_attempt, record_begin
from pipeline.warehouse.versions import Version, current_version, list_versions, point_to, recover
from pipeline.words import pluralize
from schemas.contract import conform
from schemas.tables import TABLES

log = logging.getLogger("pitchledger")

# tables whose rows belong to a night, and come from the matching or from the reconciling of that night; the others are made anew as a whole
MATCHED = ("sightings", "match_pairs", "double_triggers", "pitch_aliases", "clocks", "calibration", "label_runs")
RECONCILED = ("pitches", "pitch_values", "sessions", "outings")
# before the names of frames that only the comparison of trackers wants back
OF_AGREEMENT = "agreement_"


class NightReport(NamedTuple):
    """What a run did. `published` is false when nothing was new; then `version` is the one that stands.

    `nights`: those worked through; `reasons`: why, a sentence each; `left`: what is left for the next run (exports that are still being
    written, inboxes that are away), a sentence each.
    """

    published: bool
    version: str
    files_new: int
    files_known: int
    files_gone: int
    started_at: datetime
    finished_at: datetime
    nights: list[date]
    reasons: list[str]
    left: list[str]


class Night(NamedTuple):
    """Rows for the warehouse: `nights` by table where only these nights' rows are replaced; tables not named in it are whole."""

    tables: dict[str, pl.DataFrame]
    nights: dict[str, frozenset[date]]
    memory: dict[str, pl.DataFrame]


def run_night(ledger: Ledger, *, rebuild: bool = False, progress: Progress | None = None) -> NightReport:
    """Work through what is new in `ledger`'s inboxes and publish the warehouse; do nothing where nothing has changed."""
    started_at = datetime.now(UTC)
    tell = progress or _log_progress
    memory = recall(ledger.output)
    plan, left = _look_and_plan(ledger, memory, rebuild=rebuild, keep=True)
    report = NightReport(
        not plan.nothing,
        "" if memory is None else memory.version,
        plan.new,
        len(plan.exports) - plan.new - plan.changed - len(plan.gone),
        len(plan.gone),
        started_at,
        started_at,
        [],
        plan.reasons,
        left,
    )
    if plan.nothing:
        _clear_up(ledger)
        return report._replace(finished_at=datetime.now(UTC))
    unchanged = None if plan.everything else memory
    with (
        reading_ahead(unchanged) as before,
        prefetch_database(ledger.output, "" if before is None else before.version) as database,
    ):
        ready = prepare(ledger, plan, before, tell)
        night = work_through(ledger, plan, ready, before, started_at, tell)
        version = _next_version(started_at, ledger)
        night.tables["runs"] = _runs(memory, _run_row(version, started_at, plan, night, before))
        tell("publish", 0, 1)
        standing = (
            None
            if before is None or database is None
            else Base(Version(ledger.output, before.version), night.nights, database)
        )
        remember = lambda folder: write_memory(night.memory, plan.settings, folder, before, ready.nights)  # noqa: E731 -- a name for what it is
        publish(night.tables, ledger.output, version, ledger.keep_versions, standing, remember)
    _clear_archive(ledger)
    tell("publish", 1, 1)
    return report._replace(version=version, finished_at=datetime.now(UTC), nights=sorted(ready.nights))


def run_and_record(ledger: Ledger, *, rebuild: bool = False, progress: Progress | None = None) -> NightReport:
    """`run_night`, with a line in the output folder on what becomes of it, whatever that is."""
    started_at = datetime.now(UTC)
    with contextlib.suppress(OSError):  # the disk will fail the run, and be told then
        record_begin(ledger.output, started_at, current_version(ledger.output) or "")
    try:
        report = run_night(ledger, rebuild=rebuild, progress=progress)
    except BaseException as fault:  # a panic of compiled code and a stop by hand are told too
        record_failure(ledger.output, started_at, fault)
        raise
    told = nights_told(report.nights, False) if report.published else "nothing was new"
    message = f"Processed {pluralize(report.files_new, 'new export')} ({told})"
    outcome: Outcome = "done" if report.published else "nothing_new"
    try:
        record_attempt(ledger.output, started_at, report.finished_at, outcome, report.version, message, report.left)
    except OSError as fault:  # the version stands all the same
        log.warning("the run is done, but no line could be added on it: %s", fault)
    return report


def record_failure(output: Path, started_at: datetime, fault: BaseException) -> None:
    """Write down that the run failed. A full disk fails the run and its record alike: the run's own fault is told."""
    version = current_version(output) or ""
    message = (str(fault) or type(fault).__name__)[:500]
    with contextlib.suppress(OSError):
        record_attempt(output, started_at, datetime.now(UTC), "failed", version, message, [])


def _clear_up(ledger: Ledger) -> None:
    """A run that was killed once its version stood leaves the next one nothing to do but what it had not come to.

    The very first run may have left a version that no reader sees yet.
    """
    if list_versions(ledger.output):
        recover(ledger.output, ledger.keep_versions)
        _clear_archive(ledger)


def restore(ledger: Ledger, version: str) -> None:
    """Turn the readers to a version that is kept. The next run goes on from there: what came since is new to it."""
    started_at = datetime.now(UTC)
    point_to(ledger.output, version)
    record_attempt(
        ledger.output, started_at, datetime.now(UTC), "restored", version, f"version {version} was put back", []
    )


def dry_run(ledger: Ledger, *, rebuild: bool = False) -> NightReport:
    """What a run would do now: reads what is new, writes nothing."""
    started_at = datetime.now(UTC)
    memory = recall(ledger.output)
    plan, left = _look_and_plan(ledger, memory, rebuild=rebuild, keep=False)
    known = len(plan.exports) - plan.new - plan.changed - len(plan.gone)
    nights: list[date] = []
    if not plan.nothing:
        ready = prepare(ledger, plan, None if plan.everything else memory, lambda *_: None)
        nights = sorted(ready.nights)
    version = "" if memory is None else memory.version
    now = datetime.now(UTC)
    return NightReport(False, version, plan.new, known, len(plan.gone), started_at, now, nights, plan.reasons, left)


def _look_and_plan(ledger: Ledger, memory: Memory | None, *, rebuild: bool, keep: bool) -> tuple[Plan, list[str]]:
    """Look into the inboxes and compare, and say what can't be taken tonight.

    `keep`: copy what is new into the archive, so that it is read as it was hashed.
    """
    known = known_files(memory)
    into = (lambda sha256, content: keep_export(ledger.output, sha256, content)) if keep else None
    found: list[ExportFile] = []
    as_before: list[tuple[str, str]] = []
    left: list[str] = []
    for tracker in ledger.trackers:
        of_tracker = known.get(tracker.id, {})
        look = scan_inbox(tracker.id, tracker.inbox, {name: file for name, file in of_tracker.items() if file}, into)
        found += look.exports
        as_before += [(tracker.id, name) for name in look.growing]
        left += [f"{tracker.id}/{name} is still being written: the next run takes it" for name in look.growing]
        if of_tracker and not look.exports and not look.growing:
            # so looks a share that is not mounted: not one export is there, as if all had been removed
            as_before += [(tracker.id, name) for name in of_tracker]
            left.append(
                f"{tracker.id}: its inbox {tracker.inbox} is empty or away; its {len(of_tracker)} exports stand as they were"
            )
    return plan_night(ledger, found, as_before, memory, rebuild=rebuild), left


def work_through(
    ledger: Ledger, plan: Plan, ready: Prepared, before: Memory | None, now: datetime, tell: Progress
) -> Night:
    """The steps from named sightings to every table but `runs`, for the nights that are `ready`."""
    nights = ready.nights
    matched = _match(ledger, ready, before, tell)
    sightings = _located(ready.sightings, matched.station_finds, ledger)
    sightings, aside = _set_aside_doubles(sightings, matched, ledger.decisions)
    calibration = renewed(_table(before, "calibration"), matched.calibration, nights)
    reconciled, valued = _reconcile(ledger, sightings, matched, calibration, ready, before)
    aliases = _with_set_aside(reconciled.pitch_aliases, _with_copies(aside, ready.set_aside), matched.matches)
    sightings = _with_pitch(sightings, matched.matches)
    set_aside = _all_set_aside(
        _table(before, "set_aside"), pl.concat([ready.set_aside, conform(aside, TABLES["set_aside"])]), plan, nights
    )
    quarantine = renewed_files(_table(before, "quarantine"), ready.quarantine, plan.dirty)
    old = (lambda name: None) if before is None else before.frame
    standing = renewed(old("standing"), standing_rows(sightings), nights)
    measured = renewed(old("measured"), measured_rows(sightings), nights)
    files, facts = count_files(ready.files, standing, set_aside, quarantine, plan, now)
    sources = sources_of_trackers(ready.memory["file_sources"], measured)
    tell("agree", 0, 1)
    facts_of_nights = _facts_of_nights(ledger, sightings, matched, reconciled.pitches, nights, before)
    agreement = agreement_of_nights(facts_of_nights, Standards.of(ledger.tolerances, _ranks(ledger)), sources)
    tell("agree", 1, 1)
    players = players_of(ledger.roster, ready.labels)
    tables = {
        **reconciled._asdict(),
        **agreement._asdict(),
        **{name: getattr(matched, name) for name in ("match_pairs", "clocks", "calibration")},
        "double_triggers": _double_triggers(matched, ready.sightings),
        "label_runs": _with_day(matched.label_runs, ready.sightings),
        "pitch_aliases": aliases.filter(pl.col("baseball_day").is_in(list(nights))),
        "sightings": sightings,
        "players": players,
        "name_matches": name_matches_of(ready.labels),
        "set_aside": set_aside,
        "quarantine": quarantine,
        "metric_sources": sources,
        "unknown_labels": words_of_trackers(ready.memory["file_words"]),
        "files": files,
        "settings": settings_table(ledger),
        "trackers": trackers_table(ledger),
        "decisions": decisions_table(
            ledger.decisions, _known_sightings(ledger, sightings, aside, nights, before), players, files
        ),
    }
    kept = {"file_facts": facts, "standing": standing, "measured": measured, "statistics": matched.statistics}
    return Night(
        {name: tables[name] for name in TABLES if name in tables},
        dict.fromkeys(MATCHED, nights) | dict.fromkeys(RECONCILED, nights | valued),
        ready.memory | kept | {f"{OF_AGREEMENT}{name}": frame for name, frame in facts_of_nights._asdict().items()},
    )


def _table(before: Memory | None, name: str) -> pl.DataFrame | None:
    return None if before is None else before.table(name).collect()


def _match(ledger: Ledger, ready: Prepared, before: Memory | None, tell: Progress) -> Matched:
    tell("match", 0, 1)
    statistics = None
    if before is not None:
        statistics = before.frame("statistics").filter(~pl.col("baseball_day").is_in(list(ready.nights)))
    matched = match_sightings(
        ready.sightings,
        _ranks(ledger),
        MatchSettings(ledger.matching.doubtful_below, ledger.matching.merge_above),
        {tracker.id: tracker.stations for tracker in ledger.trackers},
        ledger.decisions,
        statistics,
    )
    tell("match", 1, 1)
    return matched


def _ranks(ledger: Ledger) -> dict[str, int]:
    return {tracker.id: tracker.rank for tracker in ledger.trackers}


def _reconcile(
    ledger: Ledger,
    sightings: pl.DataFrame,
    matched: Matched,
    calibration: pl.DataFrame,
    ready: Prepared,
    before: Memory | None,
) -> tuple[Reconciled, frozenset[date]]:
    """The pitches of these nights, and of later ones whose values lean on what was learned of the trackers on these: those are returned too."""
    valued: list[date] = []
    matches = matched.matches
    if before is not None and ready.nights:
        later = pl.col("baseball_day").is_in(list(ready.nights)).not_() & (pl.col("baseball_day") > min(ready.nights))
        seen = before.frame("measured").filter(later).select("tracker", "baseball_day")
        valued = nights_valued_anew(before.table("calibration").collect(), calibration, seen) if seen.height else []
    if before is not None and valued:
        again = before.table("sightings").filter(pl.col("baseball_day").is_in(valued)).collect()
        sightings = pl.concat([sightings, again.select(sightings.columns)])
        group = pl.format("s{}", pl.col("pitch_id").str.slice(1)).alias("group_id")
        of_these = again.select("sighting_id", group, "match_probability", decided_by="matched_by")
        matches = pl.concat([matches, of_these.select(matches.columns)])
    reconciled = reconcile(
        sightings,
        matches,
        calibration,
        _ranks(ledger),
        ledger.policies,
        ledger.tolerances,
        ledger.matching.doubtful_below,
        [tracker.id for tracker in ledger.trackers if tracker.profile.labels.occasion],
    )
    return reconciled, frozenset(valued)


def _facts_of_nights(
    ledger: Ledger,
    sightings: pl.DataFrame,
    matched: Matched,
    pitches: pl.DataFrame,
    nights: frozenset[date],
    before: Memory | None,
) -> NightFacts:
    """What the comparison of trackers needs of every night: of these nights made anew, of the others as it was kept."""
    pitches_of_nights = MatchedPitches(sightings, matched.matches, pitches, matched.match_pairs)
    fresh = measure_nights(pitches_of_nights, Standards.of(ledger.tolerances, _ranks(ledger)))
    if before is None:
        return fresh
    kept = NightFacts(*(before.frame(f"{OF_AGREEMENT}{name}") for name in NightFacts._fields))
    return replace_nights(kept, fresh, nights)


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
        "baseball_day",
        "file_id",
        "file_row",
        "thrown_at",
        "pitcher_label",
        "release_speed_mph",
        "spin_rate_rpm",
    )
    aside = out.join(where, on="sighting_id").with_columns(found_in=pl.lit("night"))
    return sightings.join(out, on="sighting_id", how="anti"), aside


def _double_triggers(matched: Matched, sightings: pl.DataFrame) -> pl.DataFrame:
    """Those that are set aside and those that may be one throw and stand."""
    aside = matched.doubles.with_columns(set_aside=pl.lit(True))
    told = pl.concat([aside, matched.possible_doubles.with_columns(set_aside=pl.lit(False))])
    return told.join(sightings.select("sighting_id", "tracker", "baseball_day"), on="sighting_id")


def _with_copies(aside: pl.DataFrame, set_aside: pl.DataFrame) -> pl.DataFrame:
    """With the rows that are copies under an id of their own; of one that copies a second record, the first is what is left."""
    names = ("sighting_id", "of_sighting_id", "baseball_day")
    copies = set_aside.filter(pl.col("sighting_id") != pl.col("of_sighting_id")).select(names)
    first = aside.select(of_sighting_id="sighting_id", first="of_sighting_id")
    left = copies.join(first, on="of_sighting_id", how="left", maintain_order="left")
    left = left.with_columns(of_sighting_id=pl.coalesce("first", "of_sighting_id"))
    return pl.concat([aside.select(names), left.select(names)])


def _with_set_aside(aliases: pl.DataFrame, aside: pl.DataFrame, matches: pl.DataFrame) -> pl.DataFrame:
    """Aliases of sightings that are no pitch of their own any more: to the pitch of the record they double, or to none."""
    pitch = pl.format("p{}", pl.col("group_id").str.slice(1))
    whose = matches.select(of_sighting_id="sighting_id", pitch_id=pitch)
    gone = aside.join(whose, on="of_sighting_id", how="left").select(
        "baseball_day", pl.format("p{}", pl.col("sighting_id").str.slice(1)).alias("old_pitch_id"), "pitch_id"
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


def _known_sightings(
    ledger: Ledger, sightings: pl.DataFrame, aside: pl.DataFrame, nights: frozenset[date], before: Memory | None
) -> set[str]:
    """Of the sightings that decisions name, those that there are."""
    named = named_sightings(ledger.decisions)
    if not named:
        return set()
    parts = [frame.lazy().select("sighting_id") for frame in (sightings, aside)]
    if before is not None:
        others = ~pl.col("baseball_day").is_in(list(nights))
        parts += [before.table(name).filter(others).select("sighting_id") for name in ("sightings", "set_aside")]
    found = pl.concat(part.filter(pl.col("sighting_id").is_in(named)) for part in parts).collect()
    return set(found.get_column("sighting_id").to_list())


def _with_day(label_runs: pl.DataFrame, sightings: pl.DataFrame) -> pl.DataFrame:
    days = sightings.select("baseball_day", first_sighting_id="sighting_id")
    return label_runs.join(days, on="first_sighting_id", how="left", maintain_order="left")


def _all_set_aside(old: pl.DataFrame | None, new: pl.DataFrame, plan: Plan, nights: frozenset[date]) -> pl.DataFrame:
    """The rows set aside: those of a night go with the night, those set aside while reading with their export."""
    if old is None:
        return new
    gone = (
        pl.when(pl.col("found_in") == "night")
        .then(pl.col("baseball_day").is_in(list(nights)))
        .otherwise(pl.col("file_id").is_in(list(plan.dirty)))
    )
    return pl.concat([old.filter(~gone), new])


# ---- the run itself ----------------------------------------------------------------------------------------------------------------------


def _next_version(started_at: datetime, ledger: Ledger) -> str:
    """The run's time as a name that sorts; a second run within one second gets the next free one."""
    version = started_at.strftime("%Y%m%dT%H%M%SZ")
    taken = set(list_versions(ledger.output))
    number = 1
    while (version if number == 1 else f"{version}-{number}") in taken:
        number += 1
    return version if number == 1 else f"{version}-{number}"


def _runs(memory: Memory | None, this_run: pl.DataFrame) -> pl.DataFrame:
    history = [] if memory is None else [conform(memory.table("runs").collect(), TABLES["runs"])]
    return pl.concat([*history, conform(this_run, TABLES["runs"])])


def _run_row(version: str, started_at: datetime, plan: Plan, night: Night, before: Memory | None) -> pl.DataFrame:
    files, pitches = night.tables["files"], night.tables["pitches"].height
    if before is not None:
        stands = ~pl.col("baseball_day").is_in(list(night.nights["pitches"]))
        pitches += before.table("pitches").filter(stands).select(pl.len()).collect().item()
    nights = nights_told(night.nights["sightings"], plan.everything)
    row = {
        "run_id": version,
        "version": version,
        "started_at": started_at,
        "finished_at": datetime.now(UTC),
        "status": "done",
        "files_new": plan.new,
        "files_changed": plan.changed,
        "files_gone": len(plan.gone),
        "rows": files.get_column("rows").sum(),
        "sightings": files.get_column("sightings").sum(),
        "pitches": pitches,
        "quarantined": files.get_column("quarantined").sum(),
        "message": f"Processed {pluralize(plan.new, 'new export')} ({nights})",
        "redone": "; ".join(plan.reasons),
        "fingerprint": _fingerprint(plan),
    }
    return pl.DataFrame(
        [row], schema_overrides={"started_at": pl.Datetime("us", "UTC"), "finished_at": pl.Datetime("us", "UTC")}
    )


def _fingerprint(plan: Plan) -> str:
    """Hash of all that the tables depend on: settings, the program, and every export's name and content."""
    exports = sorted((file.tracker, file.file_name, file.sha256) for file in plan.exports)
    return hashlib.sha256(json.dumps([plan.settings, exports], sort_keys=True).encode()).hexdigest()


def _clear_archive(ledger: Ledger) -> None:
    """Remove copies of exports that no kept version needs; none where that can't be told, and the run is done all the same."""
    try:
        needed = _hashes_of_versions(ledger)
    except (OSError, pl.exceptions.ComputeError) as fault:
        log.warning("the kept copies of exports are not cleared up: %s", fault)
        return
    clear_archive(ledger.output, needed)


def _hashes_of_versions(ledger: Ledger) -> set[str]:
    """Of all exports that a kept version was made of."""
    hashes: set[str] = set()
    for version in list_versions(ledger.output):
        files = sorted((Version(ledger.output, version).folder / "parquet" / "files").rglob("*.parquet"))
        hashes |= set(pl.read_parquet(files, columns=["sha256"]).get_column("sha256").to_list()) if files else set()
    return hashes


def _log_progress(step: str, done: int, total: int) -> None:
    """Plain lines for a log: the beginning and the end of each step."""
    if done in (0, total):
        log.info("%s: %d of %d", step, done, total)
