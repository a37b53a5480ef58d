"""What needs a person, in sentences, each with what settles it. Read from the published tables only."""

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import duckdb

from pipeline.publishing import open_published

MOST_EACH = 5
# the clocks of two trackers that differ by more than this are said to be off (minutes do happen: a person sets them by hand)
CLOCK_OFF_S = 120.0


class Need(NamedTuple):
    """One thing for a person to see to. `kind` groups them, `sentence` says what is the matter, `remedy` what settles it."""

    kind: str
    sentence: str
    remedy: str


def find_needs(folder: Path) -> list[Need]:
    """Everything in the published version that waits for a person, the gravest first."""
    with contextlib.closing(open_published(folder)) as con:
        return [need for look in _LOOKS for need in look(con)]


def _rows(con: duckdb.DuckDBPyConnection, sql: str) -> list[tuple[str, ...]]:
    return [tuple("" if value is None else str(value) for value in row) for row in con.execute(sql).fetchall()]


def _some(needs: list[Need], kind: str, remedy: str) -> list[Need]:
    """At most a handful, and a line that says how many more there are."""
    more = len(needs) - MOST_EACH
    return needs if more <= 0 else [*needs[:MOST_EACH], Need(kind, f"and {more} more of this kind", remedy)]


def _files_refused(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = """
        select tracker, file_name, reason, any_value(fix) from quarantine where level = 'file'
        group by all order by tracker, file_name"""
    needs = [
        Need("file", f"{tracker}/{name} could not be read: {reason}", fix)
        for tracker, name, reason, fix in _rows(con, sql)
    ]
    return _some(needs, "file", "see warehouse/quarantine/")


def _rows_refused(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = """
        select tracker, count(distinct (file_id, file_row)), mode(reason) from quarantine
        where level = 'row' group by tracker order by tracker"""
    return [
        Need(
            "row",
            f"{tracker}: {rows} rows in quarantine, most often: {reason}",
            f"see warehouse/quarantine/{tracker}.csv",
        )
        for tracker, rows, reason in _rows(con, sql)
    ]


def _alarms(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = "select distinct sentence from drift where alarm and latest and sentence is not null order by sentence"
    needs = [
        Need("drift", sentence, "look at the device; `pitchledger report agreement` shows the chart")
        for (sentence,) in _rows(con, sql)
    ]
    return _some(needs, "drift", 'pitchledger query "from drift where alarm and latest"')


def _names(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = """
        select label, proposal, max(score), sum(rows), string_agg(distinct tracker, ', ' order by tracker)
        from name_matches where needs_person group by label, proposal order by sum(rows) desc, label"""
    needs = [
        Need(
            "name",
            f"{trackers}: '{label}' is nobody on the roster ({rows} rows)"
            + (f"; close to {proposal}" if proposal else ""),
            f"a line in decisions.csv: label_is,,{label},{proposal or 'PLAYER_ID'},YOU,DATE,WHY; or a line in roster.csv",
        )
        for label, proposal, _score, rows, trackers in _rows(con, sql)
    ]
    return _some(needs, "name", 'pitchledger query "from names_to_settle"')


def _stale_labels(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = """
        select label_runs.tracker, label_runs.label, label_runs.proposed_label, label_runs.pitches, files.file_name
        from label_runs left join (select distinct on (file_id) file_id, file_name from files order by file_id, file_name) as files using (file_id)
        order by label_runs.pitches desc, files.file_name"""
    needs = [
        Need(
            "stale label",
            f"{tracker}: {pitches} pitches labelled '{label}' in {name} look like {proposed}'s",
            "correct the label at the device and export again; the other trackers' label stands meanwhile",
        )
        for tracker, label, proposed, pitches, name in _rows(con, sql)
    ]
    return _some(needs, "stale label", 'pitchledger query "from label_runs"')


def _doubtful(con: duckdb.DuckDBPyConnection) -> list[Need]:
    (found,) = _rows(con, "select count(*), count(distinct baseball_day) from pitches where doubtful")
    if found[0] == "0":
        return []
    sentence = f"{found[0]} pitches on {found[1]} days are matched with doubt"
    return [
        Need(
            "doubtful",
            sentence,
            'pitchledger query "from doubtful_matches", then same_pitch or not_same_pitch in decisions.csv',
        )
    ]


def _clocks(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = f"""
        select tracker, max(baseball_day), arg_max(verdict, baseball_day), count(distinct baseball_day) from clocks
        where hour_slip or abs(offset_start_s) > {CLOCK_OFF_S} group by tracker order by tracker"""
    return [
        Need(
            "clock",
            f"{tracker}: clock off on {days} days, last on {day}: {verdict}",
            "set the device's clock; pitches are matched all the same",
        )
        for tracker, day, verdict, days in _rows(con, sql)
    ]


def _gaps(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = """
        select baseball_day, station, tracker, pitches_both, pitches_other, other_tracker from nights_with_gaps
        where baseball_day = (select max(baseball_day) from pitches)"""
    return [
        Need(
            "gap",
            f"{day} {station}: {tracker} saw only {both} of the {other} pitches that {name} saw",
            "see whether an export is missing",
        )
        for day, station, tracker, both, other, name in _rows(con, sql)
    ]


def _labels(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = "select tracker, field, string_agg(label, ', ' order by rows desc), sum(rows) from unknown_labels group by all order by all"
    return [
        Need(
            "label",
            f"{tracker}: words not known for {field}: {words} ({rows} rows)",
            f"add them to [labels.{field}] words in the profile",
        )
        for tracker, field, words, rows in _rows(con, sql)
    ]


_LOOKS: tuple[Callable[[duckdb.DuckDBPyConnection], list[Need]], ...] = (
    _files_refused,
    _rows_refused,
    _alarms,
    _gaps,
    _names,
    _doubtful,
    _clocks,
    _stale_labels,
    _labels,
)
