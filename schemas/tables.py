"""All published tables, in reading order. A new table needs a contract and one line here."""

from schemas.agreement import AGREEMENT, CONVENTION_MISMATCHES, PRECISION, PROPOSED_CORRECTIONS, SELECTION
from schemas.clocks import CALIBRATION, CLOCKS, LABEL_RUNS
from schemas.contract import Contract
from schemas.drift import DRIFT
from schemas.exports import FILES, KEY_COLLISIONS, METRIC_SOURCES, QUARANTINE, SET_ASIDE, UNKNOWN_LABELS
from schemas.label_agreement import LABEL_AGREEMENT, LABEL_CONFUSION
from schemas.people import NAME_MATCHES, PLAYERS
from schemas.pitches import PITCH_ALIASES, PITCH_VALUES, PITCHES
from schemas.runs import RUNS, SETTINGS, WAREHOUSE_VERSION
from schemas.sessions import OUTINGS, SESSIONS
from schemas.setup import SETUP
from schemas.sightings import DOUBLE_TRIGGERS, MATCH_PAIRS, SIGHTINGS
from schemas.trackers import DECISIONS, TRACKERS

TABLES: dict[str, Contract] = {
    contract.table: contract
    for contract in (
        PITCHES,
        PITCH_VALUES,
        SIGHTINGS,
        SESSIONS,
        OUTINGS,
        PLAYERS,
        NAME_MATCHES,
        MATCH_PAIRS,
        DOUBLE_TRIGGERS,
        PITCH_ALIASES,
        AGREEMENT,
        CONVENTION_MISMATCHES,
        PRECISION,
        DRIFT,
        SETUP,
        LABEL_AGREEMENT,
        LABEL_CONFUSION,
        SELECTION,
        PROPOSED_CORRECTIONS,
        CLOCKS,
        CALIBRATION,
        LABEL_RUNS,
        FILES,
        QUARANTINE,
        SET_ASIDE,
        KEY_COLLISIONS,
        METRIC_SOURCES,
        UNKNOWN_LABELS,
        TRACKERS,
        DECISIONS,
        SETTINGS,
        RUNS,
        WAREHOUSE_VERSION,
    )
}
