"""Assemble what a run publishes and keeps from the results of its stages."""

from datetime import date, datetime
from typing import NamedTuple

import polars as pl

from pipeline.agreement import NightFacts
from pipeline.incremental import accounting
from pipeline.incremental.affected_nights import Prepared
from pipeline.incremental.plan import Plan
from pipeline.incremental.previous_run import History
from pipeline.matching import Matched
from pipeline.pitches import night_tables
from pipeline.players.identify import name_matches_table, players_table
from pipeline.settings.ledger import Ledger
from schemas.contract import conform
from schemas.tables import TABLES

# tables whose rows belong to a night; the others are published completely every time
MATCHED = (
    *("sightings", "match_pairs", "double_triggers", "pitch_aliases", "clocks", "calibration", "label_runs"),
    "key_collisions",
)
RECONCILED = ("pitches", "pitch_values", "sessions", "outings")
# prefix of the kept frames of the agreement stage
AGREEMENT = "agreement_"


class Night(NamedTuple):
    """Tables to publish. `nights`: by table, those whose rows are replaced; other tables are complete. `kept`: frames for the next run."""

    tables: dict[str, pl.DataFrame]
    nights: dict[str, frozenset[date]]
    kept: dict[str, pl.DataFrame]


class Stages(NamedTuple):
    """Results of the stages from matching to agreement.

    `removed`: rows that are no pitch. `revalued`: later nights that were reconciled again. `tables`: finished ones, sightings with pitch
    ids among them. `kept`: frames for the next run.
    """

    matched: Matched
    removed: pl.DataFrame
    revalued: frozenset[date]
    tables: dict[str, pl.DataFrame]
    kept: dict[str, pl.DataFrame]


def assemble(
    ledger: Ledger, plan: Plan, ready: Prepared, stages: Stages, history: History, started_at: datetime
) -> Night:
    """Return every table but `runs`, and the frames that the next run needs."""
    matched, removed, sightings = stages.matched, stages.removed, stages.tables["sightings"]
    aliases = night_tables.add_set_aside_aliases(
        stages.tables["pitch_aliases"], removed, [ready.set_aside, ready.former_ids], matched.matches
    )
    doubles = night_tables.double_triggers_table(matched.doubles, matched.possible_doubles, ready.sightings)
    set_aside = pl.concat([ready.set_aside, conform(removed, TABLES["set_aside"])])
    file_facts = accounting.with_presence(ready.files, plan, started_at)
    sighting_counts = history.plus_nights("sighting_counts", accounting.count_sightings(sightings))
    tables = {
        **stages.tables,
        "match_pairs": matched.match_pairs,
        "clocks": matched.clocks,
        "calibration": matched.calibration,
        "double_triggers": doubles,
        "key_collisions": ready.key_collisions,
        "label_runs": night_tables.label_runs_table(matched.label_runs, ready.sightings),
        "pitch_aliases": aliases.filter(pl.col("baseball_day").is_in(list(ready.nights))),
        "players": players_table(ledger.roster, ready.labels),
        "name_matches": name_matches_table(ready.labels),
        "set_aside": night_tables.replace_set_aside(history.read("set_aside"), set_aside, plan.dirty, ready.nights),
        "quarantine": history.plus_files("quarantine", ready.quarantine),
        "unknown_labels": accounting.unknown_labels_table(ready.kept["file_labels"]),
        "settings": accounting.settings_table(ledger),
        "trackers": accounting.trackers_table(ledger),
    }
    tables["files"] = accounting.files_table(file_facts, sighting_counts, tables)
    named = accounting.find_sightings(ledger.decisions, (sightings, removed), history)
    tables["decisions"] = accounting.decisions_table(ledger.decisions, named, tables)
    nights = dict.fromkeys(MATCHED, ready.nights) | dict.fromkeys(RECONCILED, ready.nights | stages.revalued)
    kept = {**ready.kept, **stages.kept, "file_facts": file_facts, "sighting_counts": sighting_counts}
    return Night(tables, nights, kept)


def earlier_facts(history: History, measured: NightFacts) -> NightFacts:
    """Return the agreement facts kept by earlier runs. `measured`: this run's, for the columns on a first run."""
    return NightFacts(*(history.read(f"{AGREEMENT}{name}", like=frame) for name, frame in measured._asdict().items()))


def kept_facts(facts: NightFacts) -> dict[str, pl.DataFrame]:
    """Return the agreement facts under the names by which they are kept."""
    return {f"{AGREEMENT}{name}": frame for name, frame in facts._asdict().items()}
