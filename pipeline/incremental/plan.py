"""Plan a run: which exports are new, changed or gone since the previous run, which settings changed, and what that affects.

The rule: whatever depends on a change is processed again, starting from the exports; everything else stays as published.
"""

import hashlib
import json
from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime, timedelta
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path
from typing import NamedTuple

import polars as pl

import pipeline
from pipeline.exports.archive import keep_export
from pipeline.exports.inbox import ExportFile, KnownFile, scan_inbox, unread_folders
from pipeline.incremental.previous_run import History
from pipeline.settings.ledger import Ledger
from pipeline.settings.ledger_tables import CorrectionTable
from pipeline.settings.people import DROP_KINDS, SIGHTING_KINDS, throwers
from pipeline.words import pluralize

# Parts of the settings that affect only some nights when they change; any other changed part affects every night.
TRACKER_PREFIX = "tracker "
RANKS = "ranks"
CORRECTIONS = "corrections"
DECISIONS = "decisions"
ROSTER = "roster"
VIEW_SETTINGS = "shown"
DROP = "drop_export"
# Seconds between writing an export and looking at it, below which equal size and time do not prove equal content: a disk's clock may
# step by up to two seconds, and may be another machine's.
CLOCK_MARGIN_S = 5
# names listed in a sentence; of more, only the number
MOST_NAMES = 3

_PRESENCE = {"first_seen_at": pl.Datetime("us", "UTC"), "gone_since": pl.Datetime("us", "UTC")}


class Plan(NamedTuple):
    """What a run has to do.

    `exports`: all current exports, including those gone from their inbox whose rows are kept (`gone`: their (tracker, file_name)).
    `read`: those to read and map. `dirty`: file_id of exports whose published rows are replaced. `nights`: baseball days affected by
    settings. `everything`: process all exports and nights. `reasons`: one sentence for each change; empty = nothing to do. `seen`:
    tracker, file_name, first_seen_at, gone_since of the exports of the previous run.
    """

    exports: list[ExportFile]
    gone: frozenset[tuple[str, str]]
    read: list[ExportFile]
    dirty: frozenset[str]
    nights: frozenset[date]
    everything: bool
    reasons: list[str]
    seen: pl.DataFrame
    settings: dict[str, str]
    new: int
    changed: int

    @property
    def is_empty(self) -> bool:
        """Return whether there is nothing to do."""
        return not self.reasons

    @property
    def known(self) -> int:
        """Return the number of exports that are unchanged in their inbox."""
        return len(self.exports) - self.new - self.changed - len(self.gone)


class Inboxes(NamedTuple):
    """The exports found in all inboxes.

    `unavailable`: (tracker, file_name) of known exports that cannot be looked at now and count as unchanged. `postponed`: one sentence
    for each thing that the next run has to do. `unread`: one sentence for each folder with files that no tracker reads.
    """

    exports: list[ExportFile]
    unavailable: frozenset[tuple[str, str]]
    postponed: list[str]
    unread: list[str]


def look_into_inboxes(ledger: Ledger, history: History, *, keep: bool, rebuild: bool = False) -> Inboxes:
    """List the exports in all inboxes. `keep`: copy new ones into the archive, so that a run reads exactly what was hashed.

    `rebuild`: read every export again, also one whose size and time of writing have not changed.
    """
    known = _known_files(history)
    archive = (lambda sha256, content: keep_export(ledger.output, sha256, content)) if keep else None
    exports: list[ExportFile] = []
    unavailable: list[tuple[str, str]] = []
    postponed: list[str] = []
    for tracker in ledger.trackers:
        known_here = known.get(tracker.id, {})
        trusted = {name: file for name, file in known_here.items() if file and not rebuild}
        look = scan_inbox(tracker.id, tracker.inbox, trusted, archive)
        exports += look.exports
        unavailable += [(tracker.id, name) for name in look.growing]
        postponed += [f"{tracker.id}/{name} is still being written: the next run reads it" for name in look.growing]
        # A network drive that is not mounted looks like this: every export seems to be removed.
        if known_here and not look.exports and not look.growing:
            unavailable += [(tracker.id, name) for name in known_here]
            exports_words = pluralize(len(known_here), "export")
            postponed.append(
                f"{tracker.id}: its inbox {tracker.inbox} is empty or away; its {exports_words} stay as published"
            )
    unread = unread_folders(ledger.folder, [tracker.inbox for tracker in ledger.trackers])
    return Inboxes(exports, frozenset(unavailable), postponed, unread)


def plan_night(ledger: Ledger, inboxes: Inboxes, history: History, *, rebuild: bool = False) -> Plan:
    """Compare exports and settings with those of the previous run. `rebuild`: process everything, whatever has changed."""
    settings = settings_parts(ledger)
    previous = _previous_facts(history)
    seen = previous.select("tracker", "file_name", "first_seen_at", "gone_since")
    kept, dropped, drop_reasons = _missing_exports(ledger, inboxes, previous)
    exports = [*inboxes.exports, *kept]
    gone = frozenset(name for file in kept if (name := (file.tracker, file.file_name)) not in inboxes.unavailable)
    known = {(row["tracker"], row["file_name"]): row for row in previous.iter_rows(named=True)}
    new = [file for file in inboxes.exports if (file.tracker, file.file_name) not in known]
    changed = [file for file in inboxes.exports if _differs(file, known.get((file.tracker, file.file_name)))]
    reasons = [
        *_file_reasons(new, changed, history),
        *_unnoticed_reasons(changed, known),
        *_presence_reasons(exports, gone, known),
        *drop_reasons,
    ]
    if rebuild or _parts_for_all_nights(history.settings, settings):
        reasons = [_reason_for_everything(history, settings, rebuild), *reasons]
        dirty = frozenset(previous.get_column("file_id").to_list()) | {file.file_id for file in exports}
        return Plan(exports, gone, exports, dirty, frozenset(), True, reasons, seen, settings, len(new), len(changed))
    changed_trackers = [
        part.removeprefix(TRACKER_PREFIX)
        for part in settings
        if part.startswith(TRACKER_PREFIX) and history.settings.get(part) not in (None, settings[part])
    ]
    ids = {file.file_id for file in (*new, *changed)}
    ids |= {known[file.tracker, file.file_name]["file_id"] for file in changed}
    ids |= {str(row["file_id"]) for row in dropped}
    ids |= {file.file_id for file in exports if file.tracker in changed_trackers}
    read = [file for file in exports if file.file_id in ids]
    nights, setting_reasons = _nights_of_settings(ledger, settings, history)
    reasons += [*_tracker_reasons(changed_trackers, exports), *setting_reasons]
    return Plan(exports, gone, read, frozenset(ids), nights, False, reasons, seen, settings, len(new), len(changed))


# ---- exports -----------------------------------------------------------------------------------------------------------------------------


def _known_files(history: History) -> dict[str, dict[str, KnownFile | None]]:
    """Return by tracker and name the exports that the previous run found in their inbox.

    None for one that was written so shortly before that run that an equal size and time do not prove equal content.
    """
    looked_at = history.read("runs").select(pl.col("started_at").max()).item()
    known: dict[str, dict[str, KnownFile | None]] = {}
    for row in _previous_facts(history).filter(pl.col("gone_since").is_null()).iter_rows(named=True):
        proves = row["sha256"] and row["modified_at"] < looked_at - timedelta(seconds=CLOCK_MARGIN_S)
        file = KnownFile(row["bytes"], row["modified_at"], row["sha256"]) if proves else None
        known.setdefault(row["tracker"], {})[row["file_name"]] = file
    return known


def _previous_facts(history: History) -> pl.DataFrame:
    """Return what the previous run knew of each export."""
    # A version of an older program may lack the kept frame, and some columns.
    files = history.read("file_facts" if history.settings else "files")
    missing = [pl.lit(None, dtype).alias(name) for name, dtype in _PRESENCE.items() if name not in files.columns]
    return files.with_columns(missing)


def _differs(file: ExportFile, known: Mapping[str, object] | None) -> bool:
    if known is None:
        return False
    rewritten = known.get("newest_by") == "modified_time" and known["modified_at"] != file.modified_at
    return file.file_id != known["file_id"] or rewritten


def _missing_exports(
    ledger: Ledger, inboxes: Inboxes, previous: pl.DataFrame
) -> tuple[list[ExportFile], list[dict[str, object]], list[str]]:
    """Return previous exports missing from the inboxes: those whose rows stay, those whose rows go, and a sentence for each of the latter."""
    names = {(file.tracker, file.file_name) for file in inboxes.exports}
    content = {file.file_id for file in inboxes.exports}
    folders = {tracker.id: tracker.inbox for tracker in ledger.trackers}
    drops = set(
        ledger.decisions.filter(pl.col("kind").is_in(DROP_KINDS)).select("kind", "tracker", "subject").iter_rows()
    )
    patterns = [(tracker, subject) for kind, tracker, subject in drops if kind != DROP]
    kept, dropped, reasons = [], [], []
    for row in previous.iter_rows(named=True):
        name = (row["tracker"], row["file_name"])
        if name in names:
            continue
        if row["tracker"] not in folders:
            reason = "is dropped: its tracker is no longer in ledger.toml"
        elif (DROP, *name) in drops or any(
            name[0] == tracker and fnmatchcase(name[1], pattern) for tracker, pattern in patterns
        ):
            reason = "is dropped by decisions.csv"
        elif name in inboxes.unavailable:
            reason = ""
        elif row["file_id"] in content:
            reason = "is gone; the inbox has the same content under another name"
        elif row["status"] != "read":
            reason = "is gone; no row came from it alone"
        else:
            reason = ""
        if reason:
            dropped.append(row)
            reasons.append(f"{name[0]}/{name[1]} {reason}")
        else:
            kept.append(_export_of(row, folders[row["tracker"]]))
    if len(reasons) > MOST_NAMES:
        reasons = [*reasons[:MOST_NAMES], f"{len(reasons) - MOST_NAMES} more exports are dropped"]
    return kept, dropped, reasons


def _export_of(row: Mapping[str, object], inbox: Path) -> ExportFile:
    modified_at = row["modified_at"]
    assert isinstance(modified_at, datetime)
    return ExportFile(
        str(row["tracker"]),
        inbox / str(row["file_name"]),
        str(row["file_name"]),
        str(row["file_id"]),
        str(row["sha256"]),
        int(str(row["bytes"])),
        modified_at,
    )


# ---- settings ----------------------------------------------------------------------------------------------------------------------------


def settings_parts(ledger: Ledger) -> dict[str, str]:
    """Return the settings in parts, each as text, for comparing with those of the previous run."""
    parts = {
        "program": _program(),
        "ledger": repr((ledger.time_zone, ledger.policies, ledger.tolerances, ledger.limits, ledger.matching)),
        RANKS: json.dumps({tracker.id: tracker.rank for tracker in ledger.trackers}),
        CORRECTIONS: json.dumps([table.model_dump_json() for table in ledger.corrections]),
        DECISIONS: json.dumps(_decision_rows(ledger.decisions)),
        ROSTER: hashlib.sha256(ledger.roster.write_csv().encode()).hexdigest(),
        VIEW_SETTINGS: repr(ledger.gaps),
    }
    for tracker in ledger.trackers:
        facts = (tracker.venue, tracker.time_zone, tracker.stations, sorted(tracker.default_occasions.items()))
        parts[TRACKER_PREFIX + tracker.id] = hashlib.sha256(repr((facts, tracker.profile)).encode()).hexdigest()
    return parts


@cache
def _program() -> str:
    """Return version and hash of the program's own files: another program may map or match differently."""
    root = Path(pipeline.__file__).parent.parent
    files = sorted(
        path
        for folder in ("pipeline", "schemas", "sql")
        for path in (root / folder).rglob("*")
        if path.suffix in (".py", ".sql")
    )
    content = hashlib.sha256()
    for path in files:
        content.update(path.relative_to(root).as_posix().encode() + path.read_bytes())
    return f"{pipeline.__version__} {content.hexdigest()[:16]}"


def _decision_rows(decisions: pl.DataFrame) -> list[tuple[str | None, ...]]:
    return sorted(decisions.select("kind", "tracker", "subject", "object").iter_rows(), key=repr)


def _parts_for_all_nights(previous: Mapping[str, str], now: Mapping[str, str]) -> list[str]:
    """Return the changed parts that affect every night."""
    some_nights = (CORRECTIONS, DECISIONS, ROSTER, VIEW_SETTINGS)
    changed = [
        part
        for part in now
        if not part.startswith(TRACKER_PREFIX) and part not in some_nights and previous.get(part) != now[part]
    ]
    return [part for part in changed if part != RANKS or _existing_ranks_changed(previous.get(part), now[part])]


def _existing_ranks_changed(previous: str | None, now: str) -> bool:
    """Return whether a known tracker has another rank or is gone; a new tracker alone changes no existing value."""
    if previous is None:
        return True
    ranks: dict[str, int] = json.loads(now)
    return any(ranks.get(tracker) != rank for tracker, rank in json.loads(previous).items())


def _nights_of_settings(ledger: Ledger, now: Mapping[str, str], history: History) -> tuple[frozenset[date], list[str]]:
    """Return the nights that changed corrections and decisions affect, and a sentence for each change.

    Nights affected by changed names are found later, when players are identified.
    """
    nights: set[date] = set()
    reasons = []
    previous = history.settings
    if previous[CORRECTIONS] != now[CORRECTIONS]:
        found = _nights_of_corrections(history, json.loads(previous[CORRECTIONS]), json.loads(now[CORRECTIONS]))
        nights |= found
        reasons.append(f"[[correction]] in ledger.toml changed ({pluralize(len(found), 'night')})")
    if previous[DECISIONS] != now[DECISIONS]:
        found = _nights_of_sightings(history, _changed_subjects(previous[DECISIONS], now[DECISIONS]))
        nights |= found
        named = f" ({pluralize(len(found), 'night')} with a sighting that changed decisions name)" if found else ""
        reasons.append(f"decisions.csv changed{named}")
    if previous[ROSTER] != now[ROSTER]:
        reasons.append("roster.csv changed")
        # Such a sighting takes its throwing hand from the roster, though no label of that night may name the player.
        nights |= _nights_of_sightings(history, throwers(ledger.decisions).get_column("sighting_id").to_list())
    if previous[VIEW_SETTINGS] != now[VIEW_SETTINGS]:
        reasons.append("[gaps] in ledger.toml changed")
    return frozenset(nights), reasons


def _nights_of_corrections(history: History, previous: Sequence[str], now: Sequence[str]) -> set[date]:
    """Return the nights of a tracker to which a correction was added, removed or changed."""
    changed = set(previous) ^ set(now)
    # In another order, rounding may differ.
    if not changed and list(previous) != list(now):
        changed = set(now)
    tables = [CorrectionTable.model_validate_json(text, by_name=True) for text in changed]
    tracker_nights = history.read("metric_counts").select("tracker", "baseball_day")
    affected = [tracker_nights.filter(_correction_applies(table)).get_column("baseball_day") for table in tables]
    return {day for days in affected for day in days.to_list()}


def _correction_applies(table: CorrectionTable) -> pl.Expr:
    applies = pl.col("tracker") == table.tracker
    if table.from_day:
        applies &= pl.col("baseball_day") >= table.from_day
    if table.until_day:
        applies &= pl.col("baseball_day") <= table.until_day
    return applies


def _changed_subjects(previous: str, now: str) -> list[str]:
    """Return the sightings named by decisions that were added or removed."""
    old, new = ({tuple(line) for line in json.loads(text)} for text in (previous, now))
    return sorted({name for line in old ^ new if line[0] in SIGHTING_KINDS for name in line[2:] if name})


def _nights_of_sightings(history: History, sightings: Sequence[str]) -> set[date]:
    if not sightings:
        return set()
    named = pl.col("sighting_id").is_in(list(sightings))
    found = pl.concat(
        history.scan(name).filter(named).select("baseball_day") for name in ("sightings", "set_aside")
    ).collect()
    return set(found.get_column("baseball_day").drop_nulls().to_list())


# ---- reasons -----------------------------------------------------------------------------------------------------------------------------


def _reason_for_everything(history: History, now: Mapping[str, str], rebuild: bool) -> str:
    if rebuild:
        return "rebuild requested: every night is processed again"
    if history.is_empty:
        return "first run: every night is processed"
    if not history.settings:
        return "another program version made the previous version: every night is processed again"
    words = {"program": "the program changed", "ledger": "settings in ledger.toml changed", RANKS: "ranks changed"}
    changed = _parts_for_all_nights(history.settings, now)
    return f"{' and '.join(words.get(part, part) for part in changed)}: every night is processed again"


def _file_reasons(new: Sequence[ExportFile], changed: Sequence[ExportFile], history: History) -> list[str]:
    files = {"new": [] if history.is_empty else new, "changed": changed}
    return [
        f"{word}: {_names([f'{file.tracker}/{file.file_name}' for file in group])}"
        for word, group in files.items()
        if group
    ]


def _unnoticed_reasons(
    changed: Sequence[ExportFile], known: Mapping[tuple[str, str], Mapping[str, object]]
) -> list[str]:
    """Name the exports whose content changed while their size and time of writing did not: only a rebuild is sure to notice them."""
    names = [
        f"{file.tracker}/{file.file_name}"
        for file in changed
        if (row := known[file.tracker, file.file_name])["modified_at"] == file.modified_at
        and row["bytes"] == file.bytes
        and row["file_id"] != file.file_id
    ]
    return [f"changed without a new size or time (check the disk and the sync): {_names(names)}"] if names else []


def _presence_reasons(
    exports: Sequence[ExportFile],
    gone: Collection[tuple[str, str]],
    known: Mapping[tuple[str, str], Mapping[str, object]],
) -> list[str]:
    """Name the exports that have gone from their inbox since the previous run, and those that are back."""
    names = [name for file in exports if (name := (file.tracker, file.file_name)) in known]
    was_gone = {name for name in names if known[name].get("gone_since") is not None}
    groups = {
        "gone from the inbox, rows kept": [name for name in names if name in gone and name not in was_gone],
        "back in the inbox": [name for name in names if name in was_gone and name not in gone],
    }
    return [f"{words}: {_names(['/'.join(name) for name in group])}" for words, group in groups.items() if group]


def _tracker_reasons(trackers: Sequence[str], exports: Sequence[ExportFile]) -> list[str]:
    counts = {tracker: sum(file.tracker == tracker for file in exports) for tracker in trackers}
    return [
        f"profile or settings of {tracker} changed: {pluralize(count, 'export')} read again"
        for tracker, count in counts.items()
    ]


def _names(names: Sequence[str]) -> str:
    shown = ", ".join(names[:MOST_NAMES])
    return shown if len(names) <= MOST_NAMES else f"{shown} and {len(names) - MOST_NAMES} more"
