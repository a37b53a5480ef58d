"""From exports to named sightings, for the nights that a run has to work through: read, map, check, correct, take once, name.

Which nights these are comes out on the way: those of the exports that changed, those that share a sighting with them, those whose labels
came to mean another player, and those whose matching learns from any of these.
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
from pipeline.incremental.previous_run import Memory, renewed, renewed_files
from pipeline.matching import days_to_match
from pipeline.players.identify import LABELS, distinct_labels, name_labels, strangers_decided, with_names
from pipeline.settings.ledger import Ledger
from pipeline.settings.people import throwers
from schemas.contract import conform
from schemas.tables import TABLES

NAMED = (*LABELS, "player_id", "roster_hand")


class Prepared(NamedTuple):
    """`sightings`: all of the `nights`, each once and named. `inputs`: the nights among them whose own exports, settings or names changed.

    `set_aside` and `quarantine` hold what these exports and nights add; `labels` are the named labels of all nights. `memory`: the frames
    that the next run wants of these steps.
    """

    nights: frozenset[date]
    inputs: frozenset[date]
    sightings: pl.DataFrame
    set_aside: pl.DataFrame
    quarantine: pl.DataFrame
    labels: pl.DataFrame
    files: pl.DataFrame
    memory: dict[str, pl.DataFrame]


def prepare(ledger: Ledger, plan: Plan, memory: Memory | None, tell: Progress) -> Prepared:
    """Read what the plan says and work it through up to the players. `memory` is None where everything is worked through."""
    old = _Old(memory)
    taken = map_exports(ledger, plan.read, tell)
    checked = _checked(taken, ledger)
    of_files = {
        "file_facts": sort_by_name(
            _as_written(renewed_files(old["file_facts"], taken.files, plan.dirty), plan.exports)
        ),
        "file_nights": renewed_files(old["file_nights"], _nights_of_files(checked.sightings), plan.dirty),
        "file_sources": renewed_files(old["file_sources"], taken.metric_sources, plan.dirty),
        "file_words": renewed_files(old["file_words"], taken.unknown_labels, plan.dirty),
    }
    inputs = set(plan.nights) | _nights(checked.sightings) | _nights_with(memory, checked.sightings)
    if memory is not None:
        inputs |= _nights(memory.frame("file_nights").filter(pl.col("file_id").is_in(list(plan.dirty))))
    seen = _trackers_by_night(of_files, old)
    more = _Involved(ledger, plan, of_files["file_nights"], of_files["file_facts"], tell)
    while True:
        nights = _to_work_through(inputs, seen, old)
        rows = pl.concat([checked.sightings, *more.of(nights)]).filter(pl.col("baseball_day").is_in(list(nights)))
        corrected = apply_corrections(rows, _corrections(ledger))
        once = remove_duplicates(corrected, newness(of_files["file_facts"]))
        labels = renewed(_rows_only(old["labels"]), distinct_labels(once.sightings), nights)
        labels = name_labels(labels, ledger.roster, ledger.decisions)
        moved = _nights_renamed(old["labels"], labels, inputs) | _nights_of_strangers(memory, labels, ledger.decisions)
        moved = moved - inputs
        if not moved:
            break
        inputs |= moved
    of_nights = {
        "labels": labels.select(NAMED),
        "same_ids": renewed(old["same_ids"], once.same_ids, nights),
    }
    return Prepared(
        frozenset(nights),
        frozenset(inputs),
        with_names(once.sightings, labels, ledger.roster, ledger.decisions),
        _stacked("set_aside", taken.set_aside, once.set_aside),
        _stacked("quarantine", taken.quarantine, checked.quarantine),
        labels,
        of_files["file_facts"],
        of_files | of_nights,
    )


def _as_written(facts: pl.DataFrame, exports: Sequence[ExportFile]) -> pl.DataFrame:
    """With the time at which each export was written last: one that came anew with the same content need not be hashed every night from then on."""
    times = [(file.tracker, file.file_name, file.modified_at) for file in exports]
    names = ["tracker", "file_name"]
    written = pl.DataFrame(times, {name: facts.schema[name] for name in (*names, "modified_at")}, orient="row")
    return facts.update(written, on=names)


class _Old:
    """The frames of the run before by name; None where there are none."""

    def __init__(self, memory: Memory | None) -> None:
        self._memory = memory

    def __getitem__(self, name: str) -> pl.DataFrame | None:
        return None if self._memory is None else self._memory.frame(name)


class _Checked(NamedTuple):
    sightings: pl.DataFrame
    quarantine: pl.DataFrame


def _checked(taken: MappedExports, ledger: Ledger) -> _Checked:
    names = dict(taken.files.filter(pl.col("status") == "read").select("file_id", "file_name").iter_rows())
    return _Checked(*check_sightings(taken.sightings, ledger.limits, names))


class _Involved:
    """Exports that have not changed but hold rows of nights to be worked through: read when they are wanted, each once."""

    def __init__(
        self, ledger: Ledger, plan: Plan, file_nights: pl.DataFrame, facts: pl.DataFrame, tell: Progress
    ) -> None:
        standing = set(facts.filter(pl.col("status") == "read").select("tracker", "file_name").iter_rows())
        self._exports = {file.file_id: file for file in plan.exports if (file.tracker, file.file_name) in standing}
        self._nights = file_nights.filter(~pl.col("file_id").is_in(list(plan.dirty)))
        self._read: dict[str, pl.DataFrame] = {}
        self._ledger, self._tell = ledger, tell

    def of(self, nights: Collection[date]) -> list[pl.DataFrame]:
        ids = self._nights.filter(pl.col("baseball_day").is_in(list(nights))).get_column("file_id").unique()
        wanted = [self._exports[name] for name in ids.sort() if name not in self._read]
        if wanted:
            sightings = _checked(map_exports(self._ledger, wanted, self._tell), self._ledger).sightings
            self._read |= {file.file_id: sightings.filter(pl.col("file_id") == file.file_id) for file in wanted}
        return list(self._read.values())


def _nights_of_files(sightings: pl.DataFrame) -> pl.DataFrame:
    return sightings.select("file_id", "baseball_day").unique().sort("file_id", "baseball_day")


def _nights(rows: pl.DataFrame) -> set[date]:
    return set(rows.get_column("baseball_day").drop_nulls().to_list())


def _nights_with(memory: Memory | None, sightings: pl.DataFrame) -> set[date]:
    """Nights on which a row of the run before has the id of one of these sightings: one of them will give way."""
    if memory is None or sightings.is_empty():
        return set()
    return _nights(memory.sighting_nights().join(sightings.select("sighting_id"), on="sighting_id", how="semi"))


def _trackers_by_night(of_files: Mapping[str, pl.DataFrame], old: "_Old") -> pl.DataFrame:
    """tracker, baseball_day: who wrote exports of a night, by the exports of the run before and by those of now."""
    sources = [(of_files["file_nights"], of_files["file_facts"]), (old["file_nights"], old["file_facts"])]
    parts = [
        nights.join(facts.select("file_id", "tracker"), on="file_id").select("tracker", "baseball_day")
        for nights, facts in sources
        if nights is not None and facts is not None
    ]
    return pl.concat(parts).unique()


def _to_work_through(inputs: Collection[date], seen: pl.DataFrame, old: "_Old") -> set[date]:
    """The changed nights, those whose matching learns from them, and those that share a sighting with any of these."""
    nights = set(inputs)
    statistics = old["statistics"]
    if statistics is None or not inputs:
        return nights
    changed = seen.filter(pl.col("baseball_day").is_in(list(inputs)))
    for (one, other), of_pair in statistics.group_by("tracker_a", "tracker_b"):
        # what two trackers teach about each other can have changed only where both were there
        both = changed.filter(pl.col("tracker").is_in([one, other])).group_by("baseball_day").len()
        days = both.filter(pl.col("len") == 2).select("baseball_day")
        touched = of_pair.select("venue").unique().join(days, how="cross")
        nights |= _nights(days_to_match(touched, of_pair))
    return _with_same_ids(nights, old["same_ids"])


def _with_same_ids(nights: set[date], same_ids: pl.DataFrame | None) -> set[date]:
    pairs = [] if same_ids is None else list(same_ids.iter_rows())
    while True:
        more = {day for pair in pairs if nights & set(pair) for day in pair} - nights
        if not more:
            return nights
        nights |= more


def _rows_only(labels: pl.DataFrame | None) -> pl.DataFrame | None:
    return None if labels is None else labels.select(LABELS)


def _nights_renamed(before: pl.DataFrame | None, labels: pl.DataFrame, inputs: Collection[date]) -> set[date]:
    """Nights that nothing else touched on which a label now means another player, or one of another hand."""
    if before is None:
        return set()
    others = ~pl.col("baseball_day").is_in(list(inputs))
    was, now = (frame.select(NAMED).filter(others).sort(LABELS, nulls_last=False) for frame in (before, labels))
    moved = was["player_id"].ne_missing(now["player_id"]) | was["roster_hand"].ne_missing(now["roster_hand"])
    return _nights(now.filter(moved))


def _nights_of_strangers(memory: Memory | None, labels: pl.DataFrame, decisions: pl.DataFrame) -> set[date]:
    """Nights of pitches that a person gave to a player on no roster, who by the labels of other nights came, went, or has another hand."""
    if memory is None:
        return set()
    was, now = (strangers_decided(frame, decisions) for frame in (memory.frame("labels"), labels))
    moved = pl.concat([was, now]).filter(~pl.struct("player_id", "hand").is_duplicated()).get_column("player_id")
    pitches = throwers(decisions).filter(pl.col("player_id").is_in(moved.implode()))
    return _nights(memory.sighting_nights().join(pitches, on="sighting_id", how="semi")) if len(pitches) else set()


def _stacked(table: str, *parts: pl.DataFrame) -> pl.DataFrame:
    return pl.concat(conform(part, TABLES[table]) for part in parts)


def _corrections(ledger: Ledger) -> list[Correction]:
    return [
        Correction(table.tracker, table.metric, table.frame, table.amount, table.from_day, table.until_day, table.why)
        for table in ledger.corrections
    ]
