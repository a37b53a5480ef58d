"""What needs a decision, one question at a time, each with the lines of decisions.csv that answer it. From the published tables only."""

import json
from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime
from itertools import groupby
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
from rich.console import Console
from rich.padding import Padding

from pipeline.matching.explain import explain_double, explain_pair
from pipeline.players.names import natural_order, person_key
from pipeline.reports.attention import FOOTNOTES, OpenName, decision_line, open_names
from pipeline.reports.directory import Directory, read_directory
from pipeline.reports.printing import harmless
from pipeline.warehouse.query import published_connection
from pipeline.words import clock_words, pluralize, weekday_words

MOST = 20
KINDS = ("matches", "names", "labels")
Row = dict[str, Any]


class Answer(NamedTuple):
    """One way to decide. `lines` go into decisions.csv; without lines, `choice` says what else to do."""

    choice: str
    lines: tuple[str, ...] = ()


class Item(NamedTuple):
    """One open question. `night`: its newest baseball day, if any is known; `reasons`: the evidence for and against."""

    kind: str
    night: date | None
    question: str
    reasons: tuple[str, ...]
    answers: tuple[Answer, ...]


class Desk(NamedTuple):
    """What every question needs: the published version, the names that people read, the date for the lines, and whether times are UTC."""

    con: duckdb.DuckDBPyConnection
    directory: Directory
    today: date
    utc: bool

    def rows(self, sql: str) -> list[Row]:
        """Return the rows of a query."""
        rows: list[Row] = self.con.sql(sql).pl().to_dicts()
        return rows

    def line(self, kind: str, subject: str, target: str = "", tracker: str = "") -> str:
        """Return a line of decisions.csv with today's date."""
        return decision_line(kind, subject, target, tracker, on=str(self.today))

    def time(self, moment: datetime, venue: str, *, seconds: bool) -> str:
        """Return a moment in the venue's local time for people, or in UTC for programs."""
        if self.utc:
            return f"{moment:%Y-%m-%dT%H:%M:%SZ}"
        return clock_words(moment, self.directory.zone(venue), seconds=seconds)


def find_open(folder: Path, kind: str | None, today: date, *, utc: bool = False) -> list[Item]:
    """Return every open question of a kind (or of all kinds), the newest night first.

    `today`: the date in the lines; `utc`: write times in UTC, not in local time.
    """
    with published_connection(folder) as con:
        desk = Desk(con, read_directory(con), today, utc)
        items = [item for name, questions in _QUESTIONS.items() if kind in (None, name) for item in questions(desk)]
    return sorted(items, key=lambda item: item.night or date.min, reverse=True)


# ---- doubtful matches ----------------------------------------------------------------------------------------------------------------------


def _match_questions(desk: Desk) -> Iterator[Item]:
    """Yield each doubtful pitch with all of its pairs that have no decision yet, most probable first."""
    rows = desk.rows("""
        with undecided as (
            select doubtful_matches.*, decided_by, time_evidence, reading_evidence, label_evidence, order_evidence, competing_sighting_id
            from doubtful_matches left join match_pairs using (sighting_a, sighting_b)),
        by_pitch as (select unnest(list_distinct([pitch_id_a, pitch_id_b])) as pitch_id, * from undecided)
        select by_pitch.*, pitches.session_id, pitches.match_probability, pitches.pitch_number, pitches.occasion, pitches.thrown_at,
            coalesce(players.name, pitches.pitcher_label) as pitcher
        from pitches join by_pitch using (pitch_id) left join players on players.player_id = pitches.pitcher_id
        where pitches.doubtful
        order by pitches.baseball_day desc, pitches.session_id, pitches.pitch_number, pitch_id, merged desc, probability desc, sighting_a, sighting_b
        """)
    for pitch_id, pairs in groupby(rows, key=lambda row: row["pitch_id"]):
        yield _match_question(str(pitch_id), list(pairs), desk)


def _match_question(pitch_id: str, pairs: list[Row], desk: Desk) -> Item:
    records = _records_in_pitch(pairs, pitch_id, desk)
    second_records = [pair["sighting_b"] for pair in pairs if _is_double(pair)]
    is_single = len(pairs) == 1
    answers = [
        *(_one_pitch_answer(pair, desk) for pair in pairs),
        Answer(
            "they are two pitches" if is_single else "none of these are one pitch",
            tuple(desk.line("not_same_pitch", pair["sighting_a"], pair["sighting_b"]) for pair in pairs),
        ),
        *(
            Answer(f"{record} is not a pitch at all (a warm-up, a throw back)", (desk.line("no_pitch", sighting),))
            for sighting, record in records.items()
            if sighting not in second_records
        ),
    ]
    asked = "are these two records one pitch?" if is_single else "which records are this pitch?"
    question = f"{_pitch_words(pitch_id, pairs[0], desk)}: {asked}"
    reasons = tuple(_evidence(pair, desk.directory) for pair in pairs)
    return Item("matches", pairs[0]["baseball_day"], question, reasons, tuple(answers))


def _pitch_words(pitch_id: str, pair: Row, desk: Desk) -> str:
    """Return a pitch as "pitch 2 of the bullpen at pen_north, 4:08 pm (Rusk Ollerby, p07efe125b3989eee)"."""
    occasion = (pair["occasion"] or "session").replace("live_bp", "live batting practice")
    time = f", {desk.time(pair['thrown_at'], pair['venue'], seconds=False)}" if pair["thrown_at"] else ""
    pitcher = f"{natural_order(pair['pitcher'])}, " if pair["pitcher"] else ""
    station = pair["station"] or "an unknown station"
    return f"pitch {pair['pitch_number']} of the {occasion} at {station}{time} ({pitcher}{pitch_id})"


def _is_double(pair: Row) -> bool:
    """Whether both records are of one tracker."""
    return bool(pair["tracker_a"] == pair["tracker_b"])


def _evidence(pair: Row, directory: Directory) -> str:
    if not _is_double(pair):
        return explain_pair(pair, directory.trackers)
    double = {
        "tracker": directory.tracker(pair["tracker_a"]),
        "kept_sighting_id": pair["sighting_a"],
        "sighting_id": pair["sighting_b"],
        "set_aside": pair["merged"],
    }
    return explain_double(pair | double)


def _one_pitch_answer(pair: Row, desk: Desk) -> Answer:
    first, second = _record_words(pair, "a", desk), _record_words(pair, "b", desk)
    if _is_double(pair):
        choice = f"{first} and {second} are one throw, recorded twice; or the second is not a pitch at all"
        return Answer(choice, (desk.line("no_pitch", pair["sighting_b"]),))
    return Answer(
        f"{first} and {second} are one pitch", (desk.line("same_pitch", pair["sighting_a"], pair["sighting_b"]),)
    )


def _record_words(pair: Row, side: str, desk: Desk) -> str:
    """Return a record as "Stadium radar (s09f8a50d63b00249, 3:36:45 pm, 84.7 mph)", with the time of its own clock."""
    thrown_at, speed = pair[f"thrown_at_{side}"], pair[f"release_speed_{side}_mph"]
    facts = [pair[f"sighting_{side}"]]
    facts += [desk.time(thrown_at, pair["venue"], seconds=True)] if thrown_at else []
    facts += [f"{speed:.1f} mph"] if speed is not None else []
    return f"{desk.directory.tracker(pair[f'tracker_{side}'])} ({', '.join(facts)})"


def _records_in_pitch(pairs: Sequence[Row], pitch_id: str, desk: Desk) -> dict[str, str]:
    """Return the records that are now in the pitch, in words, by sighting."""
    sides = [(pair, side) for pair in pairs for side in ("a", "b") if pair[f"pitch_id_{side}"] == pitch_id]
    return {pair[f"sighting_{side}"]: _record_words(pair, side, desk) for pair, side in sides}


# ---- names ---------------------------------------------------------------------------------------------------------------------------------


def _name_questions(desk: Desk) -> Iterator[Item]:
    nights = _last_nights(desk)
    for name in open_names(desk.con):
        night = nights.get(person_key(name.label) or name.label)
        yield _number_question(name, night, desk.directory) if name.is_number else _name_question(name, night, desk)


def _last_nights(desk: Desk) -> dict[str, date]:
    """Return the newest baseball day of each name, however it is spelled, and of each number without a name."""
    labels = desk.rows("""
        select label, max(baseball_day) as night from (
            select unnest([pitcher_label, batter_label, pitcher_native_id, batter_native_id]) as label, baseball_day from sightings)
        where label is not null group by label""")
    nights: dict[str, date] = {}
    for row in labels:
        key = person_key(row["label"]) or row["label"]
        nights[key] = max(row["night"], nights.get(key, row["night"]))
    return nights


def _number_question(name: OpenName, night: date | None, directory: Directory) -> Item:
    """Ask whose a device's number without a name is: only the roster can say."""
    tracker_ids = "; ".join(f"{tracker}:{name.label}" for tracker in name.trackers)
    return Item(
        "names",
        night,
        f"whose number is '{name.label}' ({_row_words(name, directory)})?",
        ("The device writes no name with it.",),
        (Answer(f"a player on the roster: add {tracker_ids} to that player's tracker_ids in roster.csv"),),
    )


def _row_words(name: OpenName, directory: Directory) -> str:
    return f"{directory.tracker_list(name.trackers)}, {pluralize(name.rows, 'row')}"


def _name_question(name: OpenName, night: date | None, desk: Desk) -> Item:
    """Ask who a label is, with a line for each proposed player and one for someone who is not on the roster."""
    question = f"who is '{name.label}' ({_row_words(name, desk.directory)})?"
    proposed = desk.directory.player_choice(name.proposed)
    if name.how == "tracker_id":
        holder = desk.directory.player(name.player_id or "")
        reason = (
            f"The device's number belongs to {holder}, for whom these rows count now. The name resembles {proposed}."
        )
        holder_and_proposed = [name.player_id or "", *name.proposed]
        changed = Answer("the number now belongs to another player: correct tracker_ids in roster.csv")
        return Item("names", night, question, (reason,), (*_player_answers(name, holder_and_proposed, desk), changed))
    if name.how == "provisional":
        reason = f"The name resembles {proposed}, but bats or pitches for the other team. It counts as an opponent."
    elif len(name.proposed) > 1:
        reason = f"The name fits {proposed}. A line counts for all rows: if the device means both, write the first name at the device."
    else:
        reason = f"The name resembles {proposed}." if proposed else "No name on the roster is like it."
    answers = (
        *_player_answers(name, name.proposed, desk),
        Answer("nobody on the roster (an opponent, a guest)", (desk.line("label_is_not", name.label),)),
        Answer(
            "another player: replace PLAYER_ID (add a row to roster.csv first, if the player has none)",
            (desk.line("label_is", name.label, "PLAYER_ID"),),
        ),
    )
    return Item("names", night, question, (reason,), answers)


def _player_answers(name: OpenName, player_ids: Sequence[str], desk: Desk) -> list[Answer]:
    return [
        Answer(f"it is {desk.directory.player(player_id)}", (desk.line("label_is", name.label, player_id),))
        for player_id in player_ids
    ]


# ---- stale labels --------------------------------------------------------------------------------------------------------------------------


def _label_questions(desk: Desk) -> Iterator[Item]:
    """Yield each series of pitches with another pitcher's label. thrown_by is about these pitches; label_is would change the label for good."""
    series = desk.rows("""
        select label_runs.*, file_name, pitcher_id as player_id from label_runs
        left join distinct_exports using (file_id)
        left join (select sighting_id, pitcher_id from sightings) as first on first_sighting_id = first.sighting_id
        order by label_runs.baseball_day desc, pitches desc, label_runs.tracker, first_sighting_id""")
    known = {row["player_id"] for row in desk.rows("select player_id from players")}
    for run in series:
        proposed_id = run["proposed_player_id"]
        proposed = desk.directory.players.get(proposed_id or "") or natural_order(run["proposed_label"])
        question = (
            f"{desk.directory.tracker(run['tracker'])}, {run['file_name']}: did {proposed} throw the "
            f"{pluralize(run['pitches'], 'pitch')} labeled '{run['label']}'?"
        )
        reason = (
            f"Another tracker names {proposed} ({proposed_id or 'a name that needs your decision'}); labels and readings together "
            f"make that {100 * run['probability']:.0f}% likely. From {run['first_sighting_id']} to {run['last_sighting_id']}."
        )
        answers = (
            _thrower_answer(f"yes, {proposed} did", run, proposed_id, known, desk),
            _thrower_answer("no, the labels are right", run, run["player_id"], known, desk),
        )
        yield Item("labels", run["baseball_day"], question, (reason,), answers)


def _thrower_answer(choice: str, run: Row, player_id: str | None, known: set[str], desk: Desk) -> Answer:
    """Return the answer that a player threw these pitches; no line can name a player who is not known yet."""
    if player_id not in known:
        return Answer(f"{choice}: correct the other tracker's label at its device or in its export, and export again")
    sightings = run["sighting_ids"].replace(",", " ")
    return Answer(choice, (desk.line("thrown_by", sightings, str(player_id), run["tracker"]),))


_QUESTIONS: dict[str, Callable[[Desk], Iterator[Item]]] = {
    "matches": _match_questions,
    "names": _name_questions,
    "labels": _label_questions,
}


# ---- output --------------------------------------------------------------------------------------------------------------------------------


def print_open(items: Sequence[Item], shown: int, out: Console) -> None:
    """Print the first `shown` items with their unbroken lines, and how many more there are."""
    if not items:
        out.print("Nothing needs your decision.")
        return
    for number, item in enumerate(items[:shown], 1):
        night = weekday_words(item.night) if item.night else "Night unknown"
        out.print(harmless(f"{number}. {night}, {item.kind}: {item.question}"), style="bold")
        for reason in item.reasons:
            out.print(_indented(f"- {reason}"))
        for answer in item.answers:
            out.print(_indented(f"{answer.choice}{':' if answer.lines else ''}"))
            for line in answer.lines:
                out.print(harmless(line), soft_wrap=True)
        out.print()
    if len(items) > shown:
        out.print(f"{_count_rest(items, shown)} more; --all shows them")
    if any(item.kind == "labels" for item in items[:shown]):
        out.print(FOOTNOTES["stale label"])
    out.print(
        "Copy the lines of one answer into decisions.csv, replace YOU and WHY with your name and the reason, and run again."
    )


def _indented(text: str) -> Padding:
    return Padding(harmless(text), (0, 0, 0, 3))


def _count_rest(items: Sequence[Item], shown: int) -> str:
    counts = {kind: sum(item.kind == kind for item in items[shown:]) for kind in KINDS}
    return ", ".join(f"{count} {kind}" for kind, count in counts.items() if count)


def as_json(items: Sequence[Item], shown: int) -> str:
    """Return the first `shown` items and the number of the rest, as JSON."""
    listed = [
        {
            **item._asdict(),
            "night": item.night and str(item.night),
            "answers": [answer._asdict() for answer in item.answers],
        }
        for item in items[:shown]
    ]
    return json.dumps({"items": listed, "more": max(len(items) - shown, 0)}, ensure_ascii=False, indent=1)
