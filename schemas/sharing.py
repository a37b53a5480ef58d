"""Which columns of each table may leave the program in a copy for outsiders (`pitchledger share`).

Every table and column has a class here, and a test fails on one without. A text column is `as_is` only if its contract lists all its
values. Whatever a device or a person typed is not shared.
"""

from typing import NamedTuple

from schemas.contract import Column, Contract
from schemas.metrics import METRICS, TRAJECTORY
from schemas.tables import TABLES

# Columns with an id of ours, and what it identifies. Such ids are hashes of content that can be guessed (a label, a device's number), or
# contain it, so they become pseudonyms.
ID_KINDS = {
    "pitch_id": "pitch",
    "old_pitch_id": "pitch",
    "sighting_id": "sighting",
    "kept_sighting_id": "sighting",
    "sighting_a": "sighting",
    "sighting_b": "sighting",
    "competing_sighting_id": "sighting",
    "session_id": "session",
    "outing_id": "outing",
}
PLAYER_KIND = "player"
PSEUDONYM = "pseudonym, the same for the same {} in every share made with the same key"


class Classes(NamedTuple):
    """The columns of a table by how they are shared; each is in exactly one list.

    `as_is`: numbers, days, times, true or false, and words of a closed list. `words`: ids of trackers, venues and stations from
    ledger.toml, and words of the program, single or separated by commas. `players`, `ids`: become pseudonyms. `left_out`: not shared.
    """

    as_is: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    players: tuple[str, ...] = ()
    ids: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


_MEASURED = tuple(METRICS)
_PAIR = ("tracker_a", "tracker_b")
_LABELS = ("pitcher_label", "pitcher_native_id", "team_label", "batter_label", "batter_native_id")
_SITUATION = (
    *("pitcher_by", "pitcher_hand", "batter_side", "inning", "half", "outs", "balls", "strikes"),
    *("pitch_type", "pitch_type_by", "pitch_result", "plate_appearance_result"),
)

CLASSES: dict[str, Classes] = {
    "pitches": Classes(
        as_is=(
            *("occasion", "baseball_day", "season", "month", "pitch_number", "thrown_at", "seen_by"),
            *("match_probability", "doubtful", "label_conflict", "pitcher_conflict"),
            *_SITUATION,
            *_MEASURED,
        ),
        words=("venue", "station", "thrown_at_by", "trackers", "outliers"),
        players=("pitcher_id", "batter_id"),
        ids=("pitch_id", "session_id", "outing_id"),
        left_out=_LABELS,
    ),
    "pitch_values": Classes(
        as_is=("baseball_day", "metric", "value", "policy", "seen_by", "lowest", "highest", "spread", "uncertainty"),
        words=("trackers", "outliers"),
        ids=("pitch_id",),
    ),
    "sightings": Classes(
        as_is=(
            *("match_probability", "matched_by", "station_by", "occasion", "baseball_day"),
            *("thrown_at", "clock_resolution_s"),
            *_SITUATION,
            *_MEASURED,
            *TRAJECTORY,
        ),
        words=("tracker", "venue", "station"),
        players=("pitcher_id", "batter_id"),
        ids=("sighting_id", "pitch_id"),
        # the sequence is the device's own number of the pitch, which identifies the row in the device's log
        left_out=(
            *("file_id", "file_row", "file_order", "native_id", "native_session", "sequence", "corrections"),
            *_LABELS,
        ),
    ),
    "sessions": Classes(
        as_is=("occasion", "baseball_day", "season", "first_thrown_at", "last_thrown_at", "pitches", "pitchers"),
        words=("venue", "station", "trackers"),
        ids=("session_id",),
    ),
    "outings": Classes(
        as_is=(
            *("baseball_day", "on_roster", "pitches", "innings"),
            *("first_pitch_number", "last_pitch_number", "first_thrown_at", "last_thrown_at"),
        ),
        players=("pitcher_id",),
        ids=("outing_id", "session_id"),
        left_out=("pitcher_label",),
    ),
    "players": Classes(as_is=("hand", "on_roster", "provisional"), players=("player_id",), left_out=("name", "team")),
    "match_pairs": Classes(
        as_is=(
            *("baseball_day", "probability", "merged", "decided_by"),
            *("time_gap_s", "time_evidence", "reading_evidence", "label_evidence", "order_evidence"),
        ),
        words=(*_PAIR, "venue", "station"),
        ids=("sighting_a", "sighting_b", "competing_sighting_id"),
        left_out=("strongest_readings",),
    ),
    "double_triggers": Classes(
        as_is=("baseball_day", "probability", "set_aside", "time_gap_s"),
        words=("tracker",),
        ids=("sighting_id", "kept_sighting_id"),
    ),
    "trackers": Classes(
        as_is=("rank", "late_after_h"),
        words=("tracker", "venue", "stations"),
        left_out=("name", "time_zone", "expected_days"),
    ),
    "pitch_aliases": Classes(as_is=("baseball_day", "since"), ids=("old_pitch_id", "pitch_id")),
    "agreement": Classes(
        as_is=(
            *("metric", "slice_by", "n", "nights", "bias", "bias_low", "bias_high"),
            *("sd", "sd_between_nights", "sd_within_nights"),
            *("loa_low", "loa_low_low", "loa_low_high", "loa_high", "loa_high_low", "loa_high_high"),
            *("slope", "slope_low", "slope_high", "intercept", "intercept_low", "intercept_high", "error_ratio"),
            *("concordance", "concordance_low", "concordance_high", "tolerance", "share_beyond"),
            *("equivalence", "more_nights", "robust_bias", "robust_sd", "same_quantity", "small_n"),
        ),
        words=(*_PAIR, "slice"),
        left_out=("interval_method", "regression_method", "note"),
    ),
    "convention_mismatches": Classes(
        as_is=(
            *("metric", "explanation", "ratio", "from_day", "until_day", "latest"),
            *("n", "nights", "difference", "remaining"),
        ),
        words=(*_PAIR, "suspect"),
        left_out=("written_unit", "stated_unit", "sentence"),
    ),
    "precision": Classes(
        as_is=("metric", "own_error_sd", "low", "high", "variance", "variance_se", "n", "nights", "method"),
        words=("tracker", "compared_with"),
        left_out=("note",),
    ),
    "drift": Classes(
        as_is=(
            *("metric", "baseball_day", "n", "night_bias", "se", "between_nights_sd", "ewma", "ewma_low", "ewma_high"),
            *("change_p", "usual_bias", "level", "alarm", "latest", "change_day", "change_low", "change_high"),
            *("size", "nights_since", "pitches_since", "matters"),
        ),
        words=(*_PAIR, "mover"),
        left_out=("mover_how", "sentence"),
    ),
    "setup": Classes(
        as_is=(
            *("baseball_day", "quantity", "value", "low", "high", "se"),
            *("n", "nights", "at_rubber_in", "crooked"),
        ),
        words=_PAIR,
        left_out=("note", "sentence"),
    ),
    "label_agreement": Classes(
        as_is=("field", "n", "nights", "share_equal", "kappa", "kappa_low", "kappa_high"),
        words=_PAIR,
        left_out=("note",),
    ),
    "label_confusion": Classes(
        as_is=("field", "pitches", "share_of_a"), words=(*_PAIR, "label_a", "label_b"), left_out=("example_pitch_ids",)
    ),
    "selection": Classes(
        as_is=(
            *("metric", "n_matched", "bias_matched", "sd_matched", "share_beyond_matched"),
            *("n_by_clock", "bias_by_clock", "sd_by_clock", "share_beyond_by_clock", "kept_apart"),
        ),
        words=_PAIR,
        left_out=("verdict",),
    ),
    "clocks": Classes(
        as_is=(
            *("baseball_day", "offset_start_s", "offset_end_s", "drift_ppm", "steps", "residual_sd_s"),
            *("offset_error_s", "resolution_s", "matched", "only_this", "only_reference"),
            *("same_session_probability", "expected_wrong_merges", "hour_slip"),
        ),
        words=("venue", "station", "tracker", "reference_tracker"),
        left_out=("file_id", "native_session", "step_sizes_s", "verdict"),
    ),
    "calibration": Classes(as_is=("baseball_day", "metric", "n", "bias", "spread", "outlier_share"), words=_PAIR),
    "settings": Classes(as_is=("value",), words=("setting",), left_out=("meaning",)),
}

# tables that are not shared, and why
NOT_SHARED: dict[str, str] = {
    "name_matches": "it links names to players",
    "proposed_corrections": "settings of this program, with reasons in words",
    "label_runs": "it quotes labels",
    "files": "file names, and checksums that identify a file",
    "quarantine": "it quotes cells of exports",
    "set_aside": "it quotes labels",
    "key_collisions": "ids of the device, which identify the row in the device's log",
    "decisions": "it names people and quotes labels",
    "metric_sources": "the devices' own columns, and text of the profiles",
    "unknown_labels": "it quotes labels",
    "runs": "free text about this program",
    "warehouse_version": "the manifest has it",
}


def shared_contract(table: str) -> Contract:
    """Return the contract of a table's copy for outsiders; pseudonym columns are described as such."""
    contract, classes = TABLES[table], CLASSES[table]
    kept = {*classes.as_is, *classes.words, *classes.players, *classes.ids}
    columns = tuple(_shared(column, classes) for column in contract.columns if column.name in kept)
    key = contract.key if set(contract.key) <= kept else ()
    return Contract(table, contract.row, key, columns, tuple(name for name in contract.order if name in kept))


def _shared(column: Column, classes: Classes) -> Column:
    if column.name in classes.players:
        return column._replace(definition=PSEUDONYM.format(PLAYER_KIND))
    if column.name in classes.ids:
        return column._replace(definition=PSEUDONYM.format(ID_KINDS[column.name]))
    return column
