"""What a night has to do: which exports are new, changed or gone since the run before, which settings changed, and why what is redone.

The rule of the whole: whatever depends on something that changed is redone, from the exports on; the rest stands as it was published.
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
from pipeline.exports.inbox import ExportFile, KnownFile
from pipeline.incremental.previous_run import Memory
from pipeline.settings.ledger import Ledger
from pipeline.settings.ledger_tables import CorrectionTable
from pipeline.settings.people import ON_SIGHTINGS, throwers

# parts of the settings, and what is redone where one changed; a part that is not named here redoes everything
OF_TRACKER, RANKS, CORRECTIONS, DECISIONS, ROSTER, SHOWN = (
    "tracker ",
    "ranks",
    "corrections",
    "decisions",
    "roster",
    "shown",
)
DROP = "drop_export"
# a disk's clock may step by up to two seconds, and may be another machine's
MARGIN_S = 5
# so many names are told, of more only the number
MOST_NAMES = 3


_SINCE = {"first_seen_at": pl.Datetime("us", "UTC"), "gone_since": pl.Datetime("us", "UTC")}


class Plan(NamedTuple):
    """What is to be done.

    `exports`: all that stand tonight, those that are gone from their inbox but kept among them (`gone`: their (tracker, file_name)).
    `read`: those to be read and mapped anew. `dirty`: ids of exports whose rows are taken out first. `nights`: baseball days that are
    touched apart from those of these exports. `everything`: all exports and all nights. `reasons`: why, a sentence each. `seen`: tracker,
    file_name, first_seen_at, gone_since of the exports of the run before.
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
    def nothing(self) -> bool:
        """Whether what is published stands as it is."""
        return not self.reasons


def plan_night(
    ledger: Ledger,
    found: Sequence[ExportFile],
    as_before: Collection[tuple[str, str]],
    memory: Memory | None,
    *,
    rebuild: bool = False,
) -> Plan:
    """Compare exports and settings with those of the run before.

    `found`: what lies in the inboxes; `as_before`: (tracker, file_name) of exports that can't be looked at tonight and stand as they were.
    `rebuild`: work through everything, whatever has changed.
    """
    settings = settings_parts(ledger)
    before = _facts(memory)
    seen = before.select("tracker", "file_name", "first_seen_at", "gone_since")
    kept, dropped, why = _kept_exports(ledger, found, as_before, before)
    exports = [*found, *kept]
    gone = frozenset((file.tracker, file.file_name) for file in kept if (file.tracker, file.file_name) not in as_before)
    known = {(row["tracker"], row["file_name"]): row for row in before.iter_rows(named=True)}
    new = [file for file in found if (file.tracker, file.file_name) not in known]
    changed = [file for file in found if _differs(file, known.get((file.tracker, file.file_name)))]
    came_and_went = _came_and_went(exports, gone, known)
    if memory is None or rebuild or _parts_for_all(memory.settings, settings):
        reasons = [
            _why_everything(memory, settings, rebuild),
            *_file_reasons(new, changed, came_and_went, memory is None),
            *why,
        ]
        everyone = frozenset(before.get_column("file_id").to_list()) | {file.file_id for file in exports}
        return Plan(
            exports, gone, exports, everyone, frozenset(), True, reasons, seen, settings, len(new), len(changed)
        )
    again = [
        part.removeprefix(OF_TRACKER)
        for part in settings
        if part.startswith(OF_TRACKER) and memory.settings.get(part) not in (None, settings[part])
    ]
    ids = {file.file_id for file in (*new, *changed)}
    ids |= {known[file.tracker, file.file_name]["file_id"] for file in changed}
    ids |= {str(row["file_id"]) for row in dropped}
    ids |= {file.file_id for file in exports if file.tracker in again}
    read = [file for file in exports if file.file_id in ids]
    nights, said = _nights_of_settings(ledger, settings, memory)
    reasons = [*_file_reasons(new, changed, came_and_went, False), *why, *_tracker_reasons(again, exports), *said]
    return Plan(exports, gone, read, frozenset(ids), nights, False, reasons, seen, settings, len(new), len(changed))


def known_files(memory: Memory | None) -> dict[str, dict[str, KnownFile | None]]:
    """By tracker and name the exports that were in their inbox when the run before looked, and what it found.

    None for one that was written so shortly before that look that the same size and time do not prove the same content.
    """
    if memory is None:
        return {}
    looked_at = memory.table("runs").select(pl.col("started_at").max()).collect().item()
    known: dict[str, dict[str, KnownFile | None]] = {}
    for row in _facts(memory).filter(pl.col("gone_since").is_null()).iter_rows(named=True):
        proves = row["sha256"] and row["modified_at"] < looked_at - timedelta(seconds=MARGIN_S)
        file = KnownFile(row["bytes"], row["modified_at"], row["sha256"]) if proves else None
        known.setdefault(row["tracker"], {})[row["file_name"]] = file
    return known


# ---- exports -----------------------------------------------------------------------------------------------------------------------------


def _facts(memory: Memory | None) -> pl.DataFrame:
    """What the run before knew of each export."""
    if memory is None:
        return pl.DataFrame(schema={"tracker": pl.String, "file_name": pl.String, "file_id": pl.String, **_SINCE})
    files = memory.frame("file_facts") if memory.settings else memory.table("files").collect()
    # a version of an earlier program may lack these
    missing = [pl.lit(None, dtype).alias(name) for name, dtype in _SINCE.items() if name not in files.columns]
    return files.with_columns(missing)


def _differs(file: ExportFile, known: Mapping[str, object] | None) -> bool:
    if known is None:
        return False
    rewritten = known.get("newest_by") == "modified_time" and known["modified_at"] != file.modified_at
    return file.file_id != known["file_id"] or rewritten


def _kept_exports(
    ledger: Ledger, found: Sequence[ExportFile], as_before: Collection[tuple[str, str]], before: pl.DataFrame
) -> tuple[list[ExportFile], list[dict[str, object]], list[str]]:
    """Exports of the run before that are in no inbox now: those that stand all the same, those that don't, and why not."""
    names = {(file.tracker, file.file_name) for file in found}
    content = {file.file_id for file in found}
    inboxes = {tracker.id: tracker.inbox for tracker in ledger.trackers}
    to_drop = set(ledger.decisions.filter(pl.col("kind") == DROP).select("tracker", "subject").iter_rows())
    kept, dropped, why = [], [], []
    for row in before.iter_rows(named=True):
        name = (row["tracker"], row["file_name"])
        if name in names:
            continue
        reason = _why_dropped(row, inboxes, content, to_drop, name in as_before)
        if reason is None:
            kept.append(_as_it_was(row, inboxes[row["tracker"]]))
        else:
            dropped.append(row)
            why.append(f"{name[0]}/{name[1]} {reason}")
    return kept, dropped, _few(why, "exports are dropped")


def _why_dropped(
    row: Mapping[str, object],
    inboxes: Mapping[str, Path],
    content: Collection[str],
    to_drop: Collection[tuple[str, str]],
    as_before: bool,
) -> str | None:
    """Why an export that is not in its inbox does not stand any more; None where its rows stay until a person says otherwise."""
    if row["tracker"] not in inboxes:
        return "is of a tracker that is no more in ledger.toml: its rows are taken out"
    if any(row["tracker"] == tracker and fnmatchcase(str(row["file_name"]), name) for tracker, name in to_drop):
        return "is taken out, as decisions.csv says"
    if as_before:
        return None
    if row["file_id"] in content:
        return "is gone; the same content lies there under another name"
    if row["status"] != "read":
        return "is gone; no row stands in it alone"
    return None


def _as_it_was(row: Mapping[str, object], inbox: Path) -> ExportFile:
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


def _came_and_went(
    exports: Sequence[ExportFile],
    gone: Collection[tuple[str, str]],
    known: Mapping[tuple[str, str], Mapping[str, object]],
) -> tuple[list[str], list[str]]:
    """Names of exports that have gone since the run before, and of those that had gone and are back."""
    names = [(file.tracker, file.file_name) for file in exports if (file.tracker, file.file_name) in known]
    was_gone = {name for name in names if known[name].get("gone_since") is not None}
    went = ["/".join(name) for name in names if name in gone and name not in was_gone]
    return went, ["/".join(name) for name in names if name in was_gone and name not in gone]


# ---- settings ----------------------------------------------------------------------------------------------------------------------------


def settings_parts(ledger: Ledger) -> dict[str, str]:
    """The settings in parts, each as text: a part that differs from the last run's has changed."""
    parts = {
        "program": _program(),
        "ledger": repr((ledger.time_zone, ledger.policies, ledger.tolerances, ledger.limits, ledger.matching)),
        RANKS: json.dumps({tracker.id: tracker.rank for tracker in ledger.trackers}),
        CORRECTIONS: json.dumps([table.model_dump_json() for table in ledger.corrections]),
        DECISIONS: json.dumps(_decided(ledger.decisions)),
        ROSTER: hashlib.sha256(ledger.roster.write_csv().encode()).hexdigest(),
        SHOWN: repr(ledger.gaps),
    }
    for tracker in ledger.trackers:
        facts = (tracker.venue, tracker.time_zone, tracker.stations, sorted(tracker.default_occasions.items()))
        parts[OF_TRACKER + tracker.id] = hashlib.sha256(repr((facts, tracker.profile)).encode()).hexdigest()
    return parts


@cache
def _program() -> str:
    """Version and hash of the program's own files: another program may map or match otherwise."""
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


def _decided(decisions: pl.DataFrame) -> list[tuple[str | None, ...]]:
    return sorted(decisions.select("kind", "tracker", "subject", "object").iter_rows(), key=repr)


def _parts_for_all(before: Mapping[str, str], now: Mapping[str, str]) -> list[str]:
    """The changed parts that touch every night."""
    own = (CORRECTIONS, DECISIONS, ROSTER, SHOWN)
    changed = [
        part for part in now if not part.startswith(OF_TRACKER) and part not in own and before.get(part) != now[part]
    ]
    return [part for part in changed if part != RANKS or _ranks_moved(before.get(part), now[part])]


def _ranks_moved(before: str | None, now: str) -> bool:
    """Whether a tracker that was there has another rank, or is gone; a new one alone moves nobody."""
    if before is None:
        return True
    ranks: dict[str, int] = json.loads(now)
    return any(ranks.get(tracker) != rank for tracker, rank in json.loads(before).items())


def _nights_of_settings(ledger: Ledger, now: Mapping[str, str], memory: Memory) -> tuple[frozenset[date], list[str]]:
    """Nights that changed corrections and decisions touch, and what changed. Of names only the naming itself can tell the nights."""
    nights: set[date] = set()
    reasons = []
    if memory.settings[CORRECTIONS] != now[CORRECTIONS]:
        found = _nights_of_corrections(memory, json.loads(memory.settings[CORRECTIONS]), json.loads(now[CORRECTIONS]))
        nights |= found
        reasons.append(f"[[correction]] in ledger.toml changed: {_nights(len(found))}")
    if memory.settings[DECISIONS] != now[DECISIONS]:
        found = _nights_of_decisions(memory, _changed_subjects(memory.settings[DECISIONS], now[DECISIONS]))
        nights |= found
        reasons.append(
            "decisions.csv changed" + (f": {_nights(len(found))} by what is said of sightings" if found else "")
        )
    if memory.settings[ROSTER] != now[ROSTER]:
        reasons.append("roster.csv changed")
        # such a sighting has its throwing hand from the roster, though no label of that night may name the player
        nights |= _nights_of_decisions(memory, throwers(ledger.decisions).get_column("sighting_id").to_list())
    if memory.settings[SHOWN] != now[SHOWN]:
        reasons.append("[gaps] in ledger.toml changed")
    return frozenset(nights), reasons


def _nights_of_corrections(memory: Memory, before: Sequence[str], now: Sequence[str]) -> set[date]:
    """Nights on which a tracker measured to which a correction was added, taken away or changed."""
    changed = set(before) ^ set(now)
    if not changed and list(before) != list(now):
        changed = set(now)  # another order: rounding may differ
    tables = [CorrectionTable.model_validate_json(text, by_name=True) for text in changed]
    measured = memory.frame("measured").select("tracker", "baseball_day")
    touched = [measured.filter(_correction_applies(table)).get_column("baseball_day") for table in tables]
    return {day for days in touched for day in days.to_list()}


def _correction_applies(table: CorrectionTable) -> pl.Expr:
    applies = pl.col("tracker") == table.tracker
    if table.from_day:
        applies &= pl.col("baseball_day") >= table.from_day
    if table.until_day:
        applies &= pl.col("baseball_day") <= table.until_day
    return applies


def _changed_subjects(before: str, now: str) -> list[str]:
    """The sightings of decisions that came or went."""
    sides = [{tuple(line) for line in json.loads(text)} for text in (before, now)]
    return sorted({name for line in sides[0] ^ sides[1] if line[0] in ON_SIGHTINGS for name in line[2:] if name})


def _nights_of_decisions(memory: Memory, sightings: Sequence[str]) -> set[date]:
    if not sightings:
        return set()
    named = pl.col("sighting_id").is_in(list(sightings))
    found = pl.concat(
        memory.table(name).filter(named).select("baseball_day") for name in ("sightings", "set_aside")
    ).collect()
    return set(found.get_column("baseball_day").drop_nulls().to_list())


# ---- words -------------------------------------------------------------------------------------------------------------------------------


def _why_everything(memory: Memory | None, now: Mapping[str, str], rebuild: bool) -> str:
    if memory is None or rebuild:
        return "everything is worked through" + (", as was asked" if rebuild else "")
    if not memory.settings:
        return "the run before was another program's: every night is worked through again"
    words = {
        "program": "the program changed",
        "ledger": "ledger.toml changed in what touches every night",
        RANKS: "ranks changed",
    }
    changed = _parts_for_all(memory.settings, now)
    return f"{' and '.join(words.get(part, part) for part in changed)}: every night is worked through again"


def _file_reasons(
    new: Sequence[ExportFile], changed: Sequence[ExportFile], came_and_went: tuple[list[str], list[str]], first: bool
) -> list[str]:
    names = [[f"{file.tracker}/{file.file_name}" for file in files] for files in (new, changed)]
    told = (
        (names[0] if not first else [], "new"),
        (names[1], "changed"),
        (came_and_went[0], "gone from the inbox; its rows stay"),
        (came_and_went[1], "back in the inbox"),
    )
    return [f"{_named(files)}: {what}" for files, what in told if files]


def _tracker_reasons(again: Sequence[str], exports: Sequence[ExportFile]) -> list[str]:
    counts = {tracker: sum(file.tracker == tracker for file in exports) for tracker in again}
    return [
        f"profile or settings of {tracker} changed: {_exports(count)} read again" for tracker, count in counts.items()
    ]


def _named(names: Sequence[str]) -> str:
    shown = ", ".join(names[:MOST_NAMES])
    return shown if len(names) <= MOST_NAMES else f"{shown} and {len(names) - MOST_NAMES} more exports"


def _few(sentences: Sequence[str], what: str) -> list[str]:
    return (
        list(sentences)
        if len(sentences) <= MOST_NAMES
        else [*sentences[:MOST_NAMES], f"{len(sentences) - MOST_NAMES} more {what}"]
    )


def _nights(number: int) -> str:
    return f"{number} night{'' if number == 1 else 's'}"


def _exports(number: int) -> str:
    return f"{number} export{'' if number == 1 else 's'}"
