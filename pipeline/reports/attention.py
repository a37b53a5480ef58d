"""What needs a person, in sentences, each with what settles it. Read from the published tables only.

What stays open until somebody settles it (names, doubtful matches, files that can't be read, live alarms) is told every time; what
belongs to one night (rows in quarantine, clocks, stale labels) for a week, gaps on the next morning; then it stands in the tables.
"""

import csv
import io
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Literal, NamedTuple

import duckdb

from pipeline.exports.duplicates import COPIED, STARTS_ANEW
from pipeline.players.names import person_key
from pipeline.warehouse.query import ONE_ROW_PER_FILE_ID, published_connection
from pipeline.warehouse.run_log import read_attempts
from pipeline.words import pluralize
from schemas.metrics import METRICS

# the clocks of two trackers that differ by more than this are said to be off (minutes do happen: a person sets them by hand)
CLOCK_OFF_S = 120
RECENT_DAYS = 7
# a reading left out on fewer rows than this, or a smaller share, is a misread and nothing to see to (common practice, no source)
FEWEST_LOST, LOST_SHARE = 3, 0.05


Kind = Literal[
    "run", "gone", "delivery", "decision", "file", "copy", "row", "value",
    "name", "doubtful", "stale label", "label", "gap", "clock", "drift", "setup", "correction", "lost", "unlike",
]  # fmt: skip


class Need(NamedTuple):
    """One thing for a person to see to. `kind` groups them, `sentence` says what is the matter, `remedy` what settles it."""

    kind: Kind
    sentence: str
    remedy: str


def find_needs(folder: Path) -> list[Need]:
    """Everything in the published version that waits for a person, the gravest kind first."""
    with published_connection(folder) as con:
        return [*_last_run(folder), *(need for look in _LOOKS for need in look(con))]


def first_of_each(needs: Sequence[Need], most: int) -> tuple[list[Need], dict[str, int]]:
    """The first `most` needs of each kind, and how many more there are of which."""
    shown: list[Need] = []
    more: dict[str, int] = {}
    for kind in dict.fromkeys(need.kind for need in needs):
        same = [need for need in needs if need.kind == kind]
        shown += same[:most]
        if len(same) > most:
            more[kind] = len(same) - most
    return shown, more


def _rows(con: duckdb.DuckDBPyConnection, sql: str) -> list[Any]:
    return con.execute(sql).fetchall()


# the last night that can have been: pitches of a device whose clock is years ahead must not hide what is new
LAST_NIGHT = (
    "(select max(baseball_day) from pitches where baseball_day <= (select max(started_at)::date + 1 from runs))"
)
SINCE = f"coalesce({LAST_NIGHT} - {RECENT_DAYS - 1}, date '0001-01-01')"


def _last_run(folder: Path) -> list[Need]:
    """That the last run failed, or never came to its end, and what it left for the next: the published tables can't know."""
    attempts = read_attempts(folder)
    if not attempts:
        return []
    last = attempts[-1]
    notes = [Need("run", note, "nothing, if the next run takes it; else look at the inbox") for note in last.notes]
    if last.outcome == "begun":
        sentence = f"the run of {last.started_at} ({last.message}) is at work, or was ended from outside"
        return [Need("run", sentence, "wait for it; if it is gone (killed, power cut), run again: nothing is broken")]
    if last.outcome != "failed":
        return notes
    sentence = f"the run of {last.started_at} failed and published nothing: {last.message}"
    return [Need("run", sentence, "mend what it says, and run again"), *notes]


def _exports_gone(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = """
        select tracker, count(*), min(file_name), min(gone_since)::date from files where gone_since is not null
        group by tracker order by tracker"""
    return [
        Need(
            "gone",
            f"{tracker}: {pluralize(files, 'export')} no longer in the inbox since {since}, first {name}; their rows stay",
            f"put them back, or decisions.csv: {decision_line('drop_export', name, '', tracker)} (* stands for any name)",
        )
        for tracker, files, name, since in _rows(con, sql)
    ]


def _never_came(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = "select tracker, name from trackers anti join files using (tracker) order by rank"
    return [
        Need("delivery", f"{tracker} ({name}): no export has ever come", f"put its exports into inbox/{tracker}/")
        for tracker, name in _rows(con, sql)
    ]


def _deliveries(con: duckdb.DuckDBPyConnection) -> list[Need]:
    """Nights on which a tracker should have brought something by its schedule and did not, and what came late."""
    sql = f"""
        select tracker, verdict, count(*), max(baseball_day), max(hours_after) from deliveries
        where baseball_day >= {SINCE} and (verdict = 'late' or (verdict = 'missing' and expected_by = 'schedule'))
        group by tracker, verdict order by verdict desc, tracker"""
    words = {
        "missing": "nothing came for {}, last {}, though ledger.toml expects it",
        "late": "exports of {} came late, last those of {}",
    }
    return [
        Need(
            "delivery",
            f"{tracker}: {words[verdict].format(pluralize(nights, 'night'), last)}",
            "see whether the device, the sync or the share stands still",
        )
        for tracker, verdict, nights, last, _ in _rows(con, sql)
    ]


def _decisions(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = "select kind, subject, note from decisions where note is not null order by all"
    return [
        Need("decision", f"decisions.csv: {kind} {subject} has no effect: it {note}", "mend the line, or take it out")
        for kind, subject, note in _rows(con, sql)
    ]


def _files_refused(con: duckdb.DuckDBPyConnection) -> list[Need]:
    """The latest first: on a page that shows a few, last night's must not stand behind old ones."""
    sql = """
        select tracker, file_name, quarantine.reason, any_value(fix)
        from quarantine join files using (tracker, file_name) where level = 'file'
        group by all order by any_value(modified_at) desc, tracker, file_name"""
    return [
        Need("file", f"{tracker}/{name} could not be read: {reason}", fix or "export it again")
        for tracker, name, reason, fix in _rows(con, sql)
    ]


def _rows_refused(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = f"""
        select tracker, count(distinct (file_id, file_row)), mode(quarantine.reason)
        from quarantine join {ONE_ROW_PER_FILE_ID} as files using (file_id, tracker)
        where level = 'row' and coalesce(baseball_day_last, modified_at::date) >= {SINCE} group by tracker order by tracker"""
    return [
        Need(
            "row",
            f"{tracker}: {pluralize(rows, 'row')} in quarantine, most often: {reason}",
            f"see warehouse/quarantine/{tracker}.csv",
        )
        for tracker, rows, reason in _rows(con, sql)
    ]


def _values_refused(con: duckdb.DuckDBPyConnection) -> list[Need]:
    """Readings and stamps that are left out so often that it is no misread: a wrong unit, format or column, as a rule."""
    sql = f"""
        with recent as (select * from sightings where baseball_day >= {SINCE}),
        seen as (select tracker, count(*) as sightings from recent group by tracker),
        lost as (
            select quarantine.tracker, coalesce(metric, "column") as what, mode(reason) as reason, any_value(fix) as fix,
                count(distinct (file_id, file_row)) as readings
            from quarantine semi join recent using (file_id, file_row) where level = 'value' group by 1, 2)
        select tracker, what, readings, sightings, reason, fix from lost join seen using (tracker)
        where readings >= greatest({FEWEST_LOST}, {LOST_SHARE} * sightings) order by tracker, readings desc, what"""
    return [
        Need(
            "value",
            f"{tracker}: {what} left out on {lost} of {pluralize(rows, 'row')}, most often: {reason}",
            fix or "look at the profile",
        )
        for tracker, what, lost, rows, reason, fix in _rows(con, sql)
    ]


def _columns_missing(con: duckdb.DuckDBPyConnection) -> list[Need]:
    """What a whole file lacks (a renamed key, a date in the preamble): one line in quarantine, yet every row is the poorer for it."""
    sql = f"""
        select tracker, quarantine.reason, any_value(fix), count(distinct file_id)
        from quarantine join {ONE_ROW_PER_FILE_ID} as files using (file_id, tracker)
        where level = 'value' and file_row is null and coalesce(baseball_day_last, modified_at::date) >= {SINCE}
        group by tracker, quarantine.reason order by tracker, quarantine.reason"""
    return [
        Need("value", f"{tracker}: {reason} ({pluralize(files, 'file')})", fix or "look at the profile")
        for tracker, reason, fix, files in _rows(con, sql)
    ]


def _agreement(con: duckdb.DuckDBPyConnection) -> list[Need]:
    """Devices that drifted, that stand crooked, and nights on which one did that nobody has corrected."""
    from pipeline.reports.agreement_todo import agreement_todo

    setup, drift = (con.sql(f"select * from {table}").pl() for table in ("setup", "drift"))
    return [Need(*todo) for todo in agreement_todo(setup, drift, {})]


def _unlike(con: duckdb.DuckDBPyConnection) -> list[Need]:
    """Readings of the same pitches that are nothing alike, from the first night on: long before a bias can be told from chance."""
    from pipeline.agreement.wording import UNLIKE, amount_words, metric_words

    limits = ", ".join(f"('{metric.name}', {UNLIKE * metric.tolerance})" for metric in METRICS.values())
    sql = f"""
        select trackers, metric, any_value(most), count(*) filter (where spread > most) as far, count(*), median(spread) filter (where spread > most)
        from (select pitches.trackers, pitch_values.metric, pitch_values.spread, most
            from pitch_values join pitches using (pitch_id) join (values {limits}) as limits (metric, most) using (metric)
            where pitch_values.seen_by > 1 and pitches.baseball_day >= {SINCE})
        group by all having far >= {FEWEST_LOST} and far >= {LOST_SHARE} * count(*) order by far / count(*) desc, trackers, metric"""
    return [
        Need(
            "unlike",
            f"{' and '.join(trackers.split(','))}: {metric_words(metric)} of {far} of {pluralize(both, 'pitch')} is more than "
            f"{amount_words(metric, most)} apart, {amount_words(metric, middle)} in the middle",
            "see unit, sign and plane of the column in their profiles; of some rows only: the device's own setting on that day",
        )
        for trackers, metric, most, far, both, middle in _rows(con, sql)
    ]


def _ids_anew(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = f"""
        select tracker, count(*) from set_aside where kind = 'superseded' and why = '{STARTS_ANEW.replace("'", "''")}'
        group by tracker order by tracker"""
    return [
        Need(
            "lost",
            f"{tracker}: {rows} rows gave way to rows of another day with the same id",
            "the tracker's ids start anew: take native_id out of its profile, or join it with the date",
        )
        for tracker, rows in _rows(con, sql)
    ]


def _copies(con: duckdb.DuckDBPyConnection) -> list[Need]:
    """Exports that repeat others under other ids. They count once; but what tells is their readings, so a person should know."""
    sql = f"""
        select tracker, file_name, count(*), max(set_aside.baseball_day)
        from set_aside join {ONE_ROW_PER_FILE_ID} as files using (file_id, tracker)
        where why = '{COPIED}' and set_aside.baseball_day >= {SINCE} group by tracker, file_name order by tracker, file_name"""
    return [
        Need(
            "copy",
            f"{tracker}/{name}: {pluralize(rows, 'row')} of {day} stand in another export with other ids, reading by reading; they count once",
            f"if it is a copy, take it out of the inbox, and decisions.csv: {decision_line('drop_export', name, '', tracker)}",
        )
        for tracker, name, rows, day in _rows(con, sql)
    ]


def _gaps(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = f"""
        select baseball_day, station, tracker, pitches_both, pitches_other, other_tracker from nights_with_gaps
        where baseball_day = {LAST_NIGHT}
        qualify row_number() over (partition by station, tracker order by pitches_other desc, other_tracker) = 1
        order by station, tracker"""
    return [
        Need(
            "gap",
            f"{day} {station}: {tracker} saw only {both} of the {other} pitches that {name} saw",
            "see whether an export is missing",
        )
        for day, station, tracker, both, other, name in _rows(con, sql)
    ]


# ---- names -------------------------------------------------------------------------------------------------------------------------------


class OpenName(NamedTuple):
    """A label that waits for a person, with all trackers that write it; `proposal` is a player_id, several, or None."""

    label: str
    how: str
    player_id: str | None
    proposal: str | None
    proposed_name: str | None
    trackers: str
    rows: int


def open_names(con: duckdb.DuckDBPyConnection) -> list[OpenName]:
    """Labels that wait for a person, one for each name however the trackers spell it, those with most rows first."""
    sql = """
        select coalesce(label, native_id), how, name_matches.player_id, proposal, players.name, tracker, sum("rows")::bigint
        from name_matches left join players on players.player_id = proposal
        where needs_person group by all order by 7 desc, 1, 6"""
    together: dict[tuple[object, ...], OpenName] = {}
    for label, how, player, proposal, proposed, tracker, rows in _rows(con, sql):
        key = (person_key(label) or label, how, player, proposal)
        seen = together.get(key)
        if seen is None:
            together[key] = OpenName(label, how, player, proposal, proposed, tracker, rows)
        else:
            trackers = ", ".join(sorted({*seen.trackers.split(", "), tracker}))
            together[key] = seen._replace(trackers=trackers, rows=seen.rows + rows)
    return sorted(together.values(), key=lambda name: (-name.rows, name.label))


def _names(con: duckdb.DuckDBPyConnection) -> list[Need]:
    return [Need("name", *_name_words(name)) for name in open_names(con)]


def _name_words(name: OpenName) -> tuple[str, str]:
    """What is the matter with a label, and what settles it."""
    where = f"({name.trackers}, {pluralize(name.rows, 'row')})"
    proposed = f"{name.proposal} {name.proposed_name or ''}".strip()
    if name.how == "tracker_id":
        sentence = f"'{name.label}' {where} has the number of {name.player_id} and the name of {proposed}; taken for {name.player_id}"
        return sentence, "mend tracker_ids in roster.csv, or the player list in the device"
    if name.how == "provisional":
        sentence = f"'{name.label}' {where} of the other side is like {proposed}; taken for an opponent"
        return (
            sentence,
            f"decisions.csv: {decision_line('label_is_not', name.label, '')} (or label_is with {name.proposal})",
        )
    if name.proposal and " or " in name.proposal:
        sentence = f"'{name.label}' {where} may be {name.proposal}"
        return (
            sentence,
            "write the first name at the device; if it is always the same one, a label_is line in decisions.csv",
        )
    if name.proposal:
        return (
            f"'{name.label}' {where} is probably {proposed}",
            f"decisions.csv: {decision_line('label_is', name.label, name.proposal)}",
        )
    sentence = f"'{name.label}' {where} is nobody on the roster"
    return sentence, f"a row in roster.csv, or decisions.csv: {decision_line('label_is', name.label, 'PLAYER_ID')}"


def decision_line(kind: str, subject: str, target: str, tracker: str = "", on: str = "DATE") -> str:
    """A line of decisions.csv, ready to paste; who, why and, unless `on` says it, when are for the person to fill in."""
    line = io.StringIO()
    csv.writer(line, lineterminator="").writerow((kind, tracker, subject, target, "YOU", on, "WHY"))
    return line.getvalue()


# ---- matches, clocks, labels ---------------------------------------------------------------------------------------------------------------


def _doubtful(con: duckdb.DuckDBPyConnection) -> list[Need]:
    ((pitches, days),) = _rows(con, "select count(*), count(distinct baseball_day) from pitches where doubtful")
    if not pitches:
        return []
    sentence = f"{pluralize(pitches, 'pitch')} on {pluralize(days, 'day')} are matched with doubt"
    remedy = "pitchledger review shows each with the lines of decisions.csv that settle it; pitchledger explain for one"
    return [Need("doubtful", sentence, remedy)]


def _ahead(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = """
        select tracker, count(*), max(baseball_day) from sightings
        where baseball_day > (select max(started_at)::date + 1 from runs) group by tracker order by tracker"""
    return [
        Need(
            "clock",
            f"{tracker}: {pluralize(rows, 'pitch')} dated after the run, up to {day}",
            "set its clock; look at [time] formats in the profile; then export again",
        )
        for tracker, rows, day in _rows(con, sql)
    ]


def _clocks(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = f"""
        select tracker, max(baseball_day), arg_max(verdict, baseball_day), count(distinct baseball_day) from clocks
        where (hour_slip or abs(offset_start_s) > {CLOCK_OFF_S}) and baseball_day >= {SINCE} group by tracker order by tracker"""
    return [
        Need(
            "clock",
            f"{tracker}: clock off on {pluralize(days, 'day')}, last on {day}: {verdict}",
            "set it; pitches are matched all the same",
        )
        for tracker, day, verdict, days in _rows(con, sql)
    ]


# what the pitches under labels that disagree count for (`reconciling`)
MEANWHILE = "until then these pitches count for whom most trackers name, or else for whom the tracker that is believed first names"


def _stale_labels(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = f"""
        select label_runs.tracker, label_runs.label, label_runs.proposed_label, label_runs.pitches, files.file_name,
            label_runs.probability
        from label_runs join {ONE_ROW_PER_FILE_ID} as files
            using (file_id)
        where baseball_day_last >= {SINCE} order by label_runs.pitches desc, 1, 5, 2, 3"""
    return [
        Need(
            "stale label",
            f"{tracker}: {pluralize(pitches, 'pitch')} labelled '{label}' in {name} look like {proposed}'s (probability {probability:.2f})",
            f"pitchledger review --kind labels shows it with what settles it; {MEANWHILE}",
        )
        for tracker, label, proposed, pitches, name, probability in _rows(con, sql)
    ]


def _labels(con: duckdb.DuckDBPyConnection) -> list[Need]:
    sql = """
        select tracker, field, string_agg(label, ', ' order by "rows" desc, label), sum("rows")::bigint from unknown_labels
        group by tracker, field order by tracker, field"""
    return [
        Need(
            "label",
            f"{tracker}: words not known for {field}: {words} ({pluralize(rows, 'row')})",
            f"add them to [labels.{field}] words in the profile",
        )
        for tracker, field, words, rows in _rows(con, sql)
    ]


_LOOKS: Sequence[Callable[[duckdb.DuckDBPyConnection], list[Need]]] = (
    _deliveries,
    _never_came,
    _files_refused,
    _rows_refused,
    _values_refused,
    _columns_missing,
    _exports_gone,
    _ids_anew,
    _copies,
    _unlike,
    _agreement,
    _gaps,
    _names,
    _doubtful,
    _ahead,
    _clocks,
    _stale_labels,
    _labels,
    _decisions,
)
