"""The first stages, for the nights that a run has to process: read, map, validate, correct, deduplicate, identify players.

Which nights these are comes out on the way: nights of changed exports and settings, nights that share a sighting with them, nights whose
labels now mean another player, and nights whose matching learns from any of these.
"""

from collections.abc import Collection, Mapping, Sequence
from datetime import date
from typing import NamedTuple

import polars as pl

from pipeline.agreement.device_setup.corrections import Correction, apply_corrections
from pipeline.exports.duplicates import remove_duplicates
from pipeline.exports.inbox import ExportFile
from pipeline.exports.plausibility import check_sightings
from pipeline.exports.reading import MappedExports, Progress, map_exports, newness, sort_by_name
from pipeline.incremental.plan import Plan
from pipeline.incremental.previous_run import History
from pipeline.matching import days_to_match
from pipeline.pitches.night_tables import matches_of
from pipeline.pitches.reconcile import Reconciled, Rules, changed_noise_nights, reconcile
from pipeline.players.identify import (
    LABELS,
    NAMED_LABELS,
    decided_opponents,
    distinct_labels,
    identify_labels,
    with_player_ids,
)
from pipeline.settings.ledger import Ledger
from pipeline.settings.people import throwers
from schemas.contract import conform
from schemas.tables import TABLES


class Prepared(NamedTuple):
    """The sightings of the `nights` to process, deduplicated, with players.

    `set_aside`, `quarantine`, `key_collisions`: what these exports and nights add. `former_ids`: see Deduplicated. `labels`: the identified
    labels of all nights. `files`: facts of all exports. `kept`: frames of these stages for the next run.
    """

    nights: frozenset[date]
    sightings: pl.DataFrame
    set_aside: pl.DataFrame
    quarantine: pl.DataFrame
    key_collisions: pl.DataFrame
    former_ids: pl.DataFrame
    labels: pl.DataFrame
    files: pl.DataFrame
    kept: dict[str, pl.DataFrame]


def prepare(ledger: Ledger, plan: Plan, history: History, progress: Progress) -> Prepared:
    """Read what the plan lists, find the nights to process, and run the stages up to players for them."""
    exports = map_exports(ledger, plan.read, progress)
    valid = _validate(exports, ledger)
    kept = {
        "file_facts": sort_by_name(_with_write_times(history.plus_files("file_facts", exports.files), plan.exports)),
        "file_nights": history.plus_files("file_nights", _nights_by_file(valid.sightings)),
        "file_sources": history.plus_files("file_sources", exports.metric_sources),
        "file_labels": history.plus_files("file_labels", exports.unknown_labels),
    }
    changed = set(plan.nights) | _nights(valid.sightings) | _nights_with_same_sightings(history, valid.sightings)
    changed |= _nights(history.read("file_nights").filter(pl.col("file_id").is_in(list(plan.dirty))))
    trackers = _trackers_by_night(kept, history)
    unchanged_exports = _UnchangedExports(ledger, plan, kept, progress)
    # A label may come to mean another player on a night that nothing else touched; that night then counts as changed, too.
    while True:
        nights = _nights_to_process(changed, trackers, history)
        rows = pl.concat([valid.sightings, *unchanged_exports.sightings(nights)])
        rows = rows.filter(pl.col("baseball_day").is_in(list(nights)))
        unique = remove_duplicates(apply_corrections(rows, _corrections(ledger)), newness(kept["file_facts"]))
        labels = _identify_all_labels(ledger, history.without_nights(nights), unique.sightings)
        more = _nights_of_renamed_labels(history, labels, changed)
        more |= _nights_of_decided_opponents(history, labels, ledger.decisions)
        if more <= changed:
            break
        changed |= more
    kept["labels"] = labels.select(list(NAMED_LABELS))
    others = history.without_nights(nights)
    kept["same_keys"] = others.plus_nights("same_keys", unique.same_keys)
    kept["new_ids"] = others.plus_nights("new_ids", unique.new_ids)
    return Prepared(
        frozenset(nights),
        with_player_ids(unique.sightings, labels, ledger.roster, ledger.decisions),
        _stack("set_aside", exports.set_aside, unique.set_aside),
        _stack("quarantine", exports.quarantine, valid.quarantine),
        unique.key_collisions,
        unique.former_ids,
        labels,
        kept["file_facts"],
        kept,
    )


def _with_write_times(facts: pl.DataFrame, exports: Sequence[ExportFile]) -> pl.DataFrame:
    """Update when each export was last written: one rewritten with the same content need not be hashed every night from then on."""
    times = [(file.tracker, file.file_name, file.modified_at) for file in exports]
    names = ["tracker", "file_name"]
    written = pl.DataFrame(times, {name: facts.schema[name] for name in (*names, "modified_at")}, orient="row")
    return facts.update(written, on=names)


class _Valid(NamedTuple):
    sightings: pl.DataFrame
    quarantine: pl.DataFrame


def _validate(exports: MappedExports, ledger: Ledger) -> _Valid:
    names = dict(exports.files.filter(pl.col("status") == "read").select("file_id", "file_name").iter_rows())
    return _Valid(*check_sightings(exports.sightings, ledger.limits, names))


class _UnchangedExports:
    """Exports that have not changed but hold rows of nights to process: each is read once, when it is first needed."""

    def __init__(self, ledger: Ledger, plan: Plan, kept: Mapping[str, pl.DataFrame], progress: Progress) -> None:
        readable = kept["file_facts"].filter(pl.col("status") == "read").select("tracker", "file_name")
        names = set(readable.iter_rows())
        self._exports = {file.file_id: file for file in plan.exports if (file.tracker, file.file_name) in names}
        self._nights = kept["file_nights"].filter(~pl.col("file_id").is_in(list(plan.dirty)))
        self._sightings: dict[str, pl.DataFrame] = {}
        self._ledger, self._progress = ledger, progress

    def sightings(self, nights: Collection[date]) -> list[pl.DataFrame]:
        """Return the sightings of all exports read so far, those with rows of these nights among them."""
        ids = self._nights.filter(pl.col("baseball_day").is_in(list(nights))).get_column("file_id").unique()
        missing = [self._exports[name] for name in ids.sort() if name not in self._sightings]
        if missing:
            rows = _validate(map_exports(self._ledger, missing, self._progress), self._ledger).sightings
            self._sightings |= {file.file_id: rows.filter(pl.col("file_id") == file.file_id) for file in missing}
        return list(self._sightings.values())


def _nights_by_file(sightings: pl.DataFrame) -> pl.DataFrame:
    return sightings.select("file_id", "baseball_day").unique().sort("file_id", "baseball_day")


def _nights(rows: pl.DataFrame) -> set[date]:
    return set(rows.get_column("baseball_day").drop_nulls().to_list())


def _nights_with_same_sightings(history: History, sightings: pl.DataFrame) -> set[date]:
    """Return the nights on which an earlier row has the key of one of these sightings: one may correct the other."""
    if sightings.is_empty():
        return set()
    new_ids = history.read("new_ids").select("baseball_day", sighting_id="key_id")
    known = pl.concat([history.sighting_nights(), new_ids.select("sighting_id", "baseball_day")])
    return _nights(known.join(sightings.select("sighting_id"), on="sighting_id", how="semi"))


def _trackers_by_night(kept: Mapping[str, pl.DataFrame], history: History) -> pl.DataFrame:
    """Return tracker, baseball_day: who wrote exports of a night, before this run or now."""
    sources = [
        (kept["file_nights"], kept["file_facts"]),
        (history.read("file_nights"), history.read("file_facts")),
    ]
    parts = [
        nights.join(facts.select("file_id", "tracker"), on="file_id").select("tracker", "baseball_day")
        for nights, facts in sources
    ]
    return pl.concat(parts).unique()


def _nights_to_process(changed: Collection[date], trackers: pl.DataFrame, history: History) -> set[date]:
    """Return the changed nights, those whose matching learns from them, and those that share a key with any of these."""
    nights = set(changed)
    if not nights:
        return nights
    present = trackers.filter(pl.col("baseball_day").is_in(list(nights)))
    for (tracker_a, tracker_b), statistics in history.read("statistics").group_by("tracker_a", "tracker_b"):
        # What two trackers reveal about each other can have changed only where both were present.
        both = present.filter(pl.col("tracker").is_in([tracker_a, tracker_b])).group_by("baseball_day").len()
        days = both.filter(pl.col("len") == 2).select("baseball_day")
        touched = statistics.select("venue").unique().join(days, how="cross")
        nights |= _nights(days_to_match(touched, statistics))
    linked_nights = list(history.read("same_keys").iter_rows())
    while more := {day for pair in linked_nights if nights & set(pair) for day in pair} - nights:
        nights |= more
    return nights


def _identify_all_labels(ledger: Ledger, history: History, sightings: pl.DataFrame) -> pl.DataFrame:
    labels = distinct_labels(sightings)
    if not history.is_empty:
        labels = pl.concat([history.other_nights("labels").select(LABELS), labels])
    return identify_labels(labels, ledger.roster, ledger.decisions)


def _nights_of_renamed_labels(history: History, labels: pl.DataFrame, changed: Collection[date]) -> set[date]:
    """Return the unchanged nights on which a label now means another player, or one who throws with the other hand."""
    if history.is_empty:
        return set()
    unchanged = ~pl.col("baseball_day").is_in(list(changed))
    old, new = (
        frame.select(list(NAMED_LABELS)).filter(unchanged).sort(LABELS, nulls_last=False)
        for frame in (history.read("labels"), labels)
    )
    moved = old["player_id"].ne_missing(new["player_id"]) | old["roster_hand"].ne_missing(new["roster_hand"])
    return _nights(new.filter(moved))


def _nights_of_decided_opponents(history: History, labels: pl.DataFrame, decisions: pl.DataFrame) -> set[date]:
    """Return the nights with a pitch that a decision gives to an opponent whom labels of other nights no longer name, now name, or give another hand."""
    old, new = (decided_opponents(frame, decisions) for frame in (history.read("labels"), labels))
    moved = pl.concat([old, new]).filter(~pl.struct("player_id", "hand").is_duplicated()).get_column("player_id")
    pitches = throwers(decisions).filter(pl.col("player_id").is_in(moved.implode()))
    return _nights(history.sighting_nights().join(pitches, on="sighting_id", how="semi")) if len(pitches) else set()


def _stack(table: str, *parts: pl.DataFrame) -> pl.DataFrame:
    return pl.concat(conform(part, TABLES[table]) for part in parts)


def _corrections(ledger: Ledger) -> list[Correction]:
    return [
        Correction(table.tracker, table.metric, table.frame, table.amount, table.from_day, table.until_day, table.why)
        for table in ledger.corrections
    ]


def reconcile_nights(
    sightings: pl.DataFrame, matches: pl.DataFrame, calibration: pl.DataFrame, rules: Rules, history: History
) -> tuple[Reconciled, frozenset[date]]:
    """Reconcile this run's nights, and later nights whose preferred values change because this run learned more about a tracker.

    `calibration`: what this run learned. Returns the later nights, too.
    """
    all_calibration = history.plus_nights("calibration", calibration)
    nights = _nights_to_revalue(history, all_calibration)
    if nights:
        later = history.scan("sightings").filter(pl.col("baseball_day").is_in(nights)).collect()
        sightings = pl.concat([sightings, later.select(sightings.columns)])
        matches = pl.concat([matches, matches_of(later).select(matches.columns)])
    return reconcile(sightings, matches, all_calibration, rules), frozenset(nights)


def _nights_to_revalue(history: History, calibration: pl.DataFrame) -> list[date]:
    if not history.nights:
        return []
    later = history.other_nights("metric_counts").filter(pl.col("baseball_day") > min(history.nights))
    return changed_noise_nights(history.read("calibration"), calibration, later.select("tracker", "baseball_day"))
