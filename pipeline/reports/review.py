"""What waits for a person's decision, one thing at a time, each with the lines of decisions.csv that settle it. From the published tables only."""

import json
from collections.abc import Callable, Iterator, Sequence
from datetime import date
from itertools import groupby
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
from rich.console import Console
from rich.padding import Padding

from pipeline.matching.explain import explain_double, explain_pair
from pipeline.players.names import person_key
from pipeline.reports.attention import MEANWHILE, OpenName, decision_line, open_names
from pipeline.reports.printing import harmless
from pipeline.warehouse.query import ONE_ROW_PER_FILE_ID, published_connection
from pipeline.words import pluralize

MOST = 20
KINDS = ("matches", "names", "labels")
Row = dict[str, Any]


class Answer(NamedTuple):
    """One way to decide. `lines`: what goes into decisions.csv for it; none where something else has to be done, which `says` tells."""

    says: str
    lines: tuple[str, ...] = ()


class Item(NamedTuple):
    """One open question. `night`: the newest baseball day that it is about (None: none known); `why`: what speaks for and against."""

    kind: str
    night: date | None
    question: str
    why: tuple[str, ...]
    answers: tuple[Answer, ...]


def find_open(folder: Path, kind: str | None, today: date) -> list[Item]:
    """Everything that waits for a decision, the newest night first; `today` is the date that the lines bear."""
    with published_connection(folder) as con:
        items = [item for name, look in _LOOKS.items() if kind in (None, name) for item in look(con, today)]
    return sorted(items, key=lambda item: item.night or date.min, reverse=True)


# ---- doubtful matches ----------------------------------------------------------------------------------------------------------------------


def _matches(con: duckdb.DuckDBPyConnection, today: date) -> Iterator[Item]:
    """Each doubtful pitch with every pair that nobody has decided yet, the likeliest first."""
    rows = _dicts(
        con,
        """
        with open as (
            select doubtful_matches.*, decided_by, time_evidence, reading_evidence, label_evidence, order_evidence, rival_of
            from doubtful_matches left join match_pairs using (sighting_a, sighting_b)),
        touching as (select unnest(list_distinct([pitch_id_a, pitch_id_b])) as pitch_id, * from open)
        select touching.*, pitches.session_id, pitches.match_probability, pitches.pitch_number, pitches.pitcher_label
        from pitches join touching using (pitch_id) where pitches.doubtful
        order by pitches.baseball_day desc, pitches.session_id, pitches.pitch_number, pitch_id, merged desc, probability desc, sighting_a, sighting_b""",
    )
    for pitch_id, group in groupby(rows, key=lambda row: row["pitch_id"]):
        yield _match(str(pitch_id), list(group), today)


def _match(pitch_id: str, pairs: list[Row], today: date) -> Item:
    first = pairs[0]
    who = f" ({first['pitcher_label']})" if first["pitcher_label"] else ""
    question = (
        f"pitch {pitch_id}, number {first['pitch_number']} of {first['session_id']}{who}: which records are this pitch?"
    )
    if len(pairs) == 1:
        question = question.replace("which records are this pitch?", "are these two records one pitch?")
    answers = [_one_pitch(pair, today) for pair in pairs]
    none = "they are two pitches" if len(pairs) == 1 else "none of these are one pitch"
    answers.append(Answer(none, tuple(_line(pair, "not_same_pitch", today) for pair in pairs)))
    repeated = [pair["sighting_b"] for pair in pairs if _of_one_tracker(pair)]
    answers += [
        Answer(f"{said} is no pitch at all (a warm-up, a throw back)", (_no_pitch(sighting, today),))
        for sighting, said in _records(pairs, pitch_id).items()
        if sighting not in repeated
    ]
    return Item("matches", first["baseball_day"], question, tuple(_why(pair) for pair in pairs), tuple(answers))


def _of_one_tracker(pair: Row) -> bool:
    return bool(pair["tracker_a"] == pair["tracker_b"])


def _why(pair: Row) -> str:
    if not _of_one_tracker(pair):
        return explain_pair(pair, {})
    names = {"tracker": "tracker_a", "of_sighting_id": "sighting_a", "sighting_id": "sighting_b", "set_aside": "merged"}
    return explain_double(pair | {name: pair[here] for name, here in names.items()})


def _one_pitch(pair: Row, today: date) -> Answer:
    one, other = _record(pair, "a"), _record(pair, "b")
    if _of_one_tracker(pair):
        says = f"{one} and {other} are one throw, recorded twice; or the second is no pitch at all"
        return Answer(says, (_no_pitch(pair["sighting_b"], today),))
    return Answer(f"{one} and {other} are one pitch", (_line(pair, "same_pitch", today),))


def _no_pitch(sighting: str, today: date) -> str:
    return decision_line("no_pitch", sighting, "", on=str(today))


def _line(pair: Row, kind: str, today: date) -> str:
    return decision_line(kind, pair["sighting_a"], pair["sighting_b"], on=str(today))


def _record(pair: Row, side: str) -> str:
    """One record in words: tracker, its own clock, speed."""
    at, mph = pair[f"thrown_at_{side}"], pair[f"release_speed_{side}_mph"]
    seen = [f"{at:%H:%M:%S} UTC"] if at else []
    seen += [f"{mph:.1f} mph"] if mph is not None else []
    about = f", {', '.join(seen)}" if seen else ""
    return f"{pair[f'tracker_{side}']} ({pair[f'sighting_{side}']}{about})"


def _records(pairs: Sequence[Row], pitch_id: str) -> dict[str, str]:
    """The records that stand in the pitch now."""
    sides = [(pair, side) for pair in pairs for side in ("a", "b") if pair[f"pitch_id_{side}"] == pitch_id]
    return {pair[f"sighting_{side}"]: _record(pair, side) for pair, side in sides}


# ---- names ---------------------------------------------------------------------------------------------------------------------------------


def _names(con: duckdb.DuckDBPyConnection, today: date) -> Iterator[Item]:
    players = dict(con.execute("select player_id, name from players").fetchall())
    nights = _last_nights(con)
    numbers = {
        row[0]
        for row in con.execute("select native_id from name_matches where needs_person and label is null").fetchall()
    }
    for name in open_names(con):
        told = _number(name) if name.label in numbers else _name(name, players, today)
        yield Item("names", nights.get(person_key(name.label) or name.label), *told)


def _last_nights(con: duckdb.DuckDBPyConnection) -> dict[str, date]:
    """The newest baseball day of each name, however it is written, and of each number without one."""
    sql = """
        select label, max(baseball_day) from (
            select unnest([pitcher_label, batter_label, pitcher_native_id, batter_native_id]) as label, baseball_day from sightings)
        where label is not null group by label"""
    nights: dict[str, date] = {}
    for label, night in con.execute(sql).fetchall():
        key = person_key(label) or label
        nights[key] = max(night, nights.get(key, night))
    return nights


def _number(name: OpenName) -> tuple[str, tuple[str, ...], tuple[Answer, ...]]:
    """A device's number without a name: only the roster says whose it is."""
    question = f"whose number is '{name.label}' ({name.trackers}, {pluralize(name.rows, 'row')})?"
    held = "; ".join(f"{tracker}:{name.label}" for tracker in name.trackers.split(", "))
    return (
        question,
        ("no name stands with it",),
        (Answer(f"a player of the roster: put {held} into his tracker_ids in roster.csv"),),
    )


def _name(name: OpenName, players: dict[str, str], today: date) -> tuple[str, tuple[str, ...], tuple[Answer, ...]]:
    """Who is that? With a line for each player that is proposed, and one for a person of no roster."""
    question = f"who is '{name.label}' ({name.trackers}, {pluralize(name.rows, 'row')})?"
    proposed = name.proposal.split(" or ") if name.proposal else []
    if name.how == "tracker_id":
        why = f"the device's number is that of {_told(name.player_id, players)}, who is taken; the name is like {_told(name.proposal, players)}"
        return (
            question,
            (why,),
            (
                *_is(name, [name.player_id or "", *proposed], players, today),
                Answer("the number changed hands: mend tracker_ids in roster.csv"),
            ),
        )
    why = (
        f"it is like {' or '.join(_told(player, players) for player in proposed)}"
        if proposed
        else "nobody on the roster is called so"
    )
    if name.how == "provisional":
        why += ", but of the other side; taken for an opponent"
    nobody = decision_line("label_is_not", name.label, "", on=str(today))
    answers = [*_is(name, proposed, players, today), Answer("nobody on the roster (an opponent, a guest)", (nobody,))]
    other = decision_line("label_is", name.label, "PLAYER_ID", on=str(today))
    answers.append(
        Answer("somebody else, with his player_id for PLAYER_ID (a row in roster.csv first, if he has none)", (other,))
    )
    if len(proposed) > 1:
        why += "; if the device means now one and now the other, write the first name at the device: a line is for all rows"
    return question, (why,), tuple(answers)


def _is(name: OpenName, proposed: Sequence[str], players: dict[str, str], today: date) -> list[Answer]:
    return [
        Answer(f"it is {_told(player, players)}", (decision_line("label_is", name.label, player, on=str(today)),))
        for player in proposed
    ]


def _told(player: str | None, players: dict[str, str]) -> str:
    return f"{players.get(player or '', '')} ({player})".strip()


# ---- stale labels --------------------------------------------------------------------------------------------------------------------------


def _labels(con: duckdb.DuckDBPyConnection, today: date) -> Iterator[Item]:
    """Runs of pitches that bear another pitcher's label. A label_is line would be about that label for ever; thrown_by is about the run."""
    rows = _dicts(
        con,
        f"""
        select label_runs.*, file_name, pitcher_id as player_id from label_runs
        left join (select file_id, file_name from {ONE_ROW_PER_FILE_ID}) using (file_id)
        left join (select sighting_id, pitcher_id from sightings) as first on first_sighting_id = first.sighting_id
        order by baseball_day desc, pitches desc, tracker, first_sighting_id""",
    )
    players = {player for (player,) in con.execute("select player_id from players").fetchall()}
    for run in rows:
        question = f"{run['tracker']}: are the {pluralize(run['pitches'], 'pitch')} labelled '{run['label']}' in {run['file_name']} {run['proposed_label']}'s?"
        why = f"another tracker says {run['proposed_label']} ({run['proposed_player_id'] or 'not settled who that is'}), and labels and readings together are for it, probability {run['probability']:.2f}; from {run['first_sighting_id']} to {run['last_sighting_id']} (each of them: label_runs.sighting_ids)"
        yes = _thrower("yes, they are his", run, run["proposed_player_id"], players, today)
        no = _thrower("no, they are as labelled", run, run["player_id"], players, today)
        yield Item("labels", run["baseball_day"], question, (why,), (yes, no))


def _thrower(says: str, run: Row, player: str | None, players: set[str], today: date) -> Answer:
    """That a player threw a run's pitches; of one whom nobody knows yet no line can tell that."""
    if player not in players:
        return Answer(f"{says}: mend the wrong label at its device, or in its export, and export again; {MEANWHILE}")
    sightings = run["sighting_ids"].replace(",", " ")
    return Answer(says, (decision_line("thrown_by", sightings, str(player), run["tracker"], on=str(today)),))


def _dicts(con: duckdb.DuckDBPyConnection, sql: str) -> list[Row]:
    rows: list[Row] = con.sql(sql).pl().to_dicts()
    return rows


_LOOKS: dict[str, Callable[[duckdb.DuckDBPyConnection, date], Iterator[Item]]] = {
    "matches": _matches,
    "names": _names,
    "labels": _labels,
}


# ---- telling -------------------------------------------------------------------------------------------------------------------------------


def print_open(items: Sequence[Item], shown: int, out: Console) -> None:
    """Print the first `shown` items with their lines, which are never broken, and how many more there are."""
    if not items:
        out.print("Nothing waits for a decision.")
        return
    for number, item in enumerate(items[:shown], 1):
        out.print(harmless(f"{number}. {item.night or 'no night known'}, {item.kind}: {item.question}"), style="bold")
        for sentence in item.why:
            out.print(_indented(f"- {sentence}"))
        for answer in item.answers:
            out.print(_indented(f"{answer.says}{':' if answer.lines else ''}"))
            for line in answer.lines:
                out.print(harmless(line), soft_wrap=True)
        out.print()
    if len(items) > shown:
        out.print(f"{_rest(items, shown)} more; --all shows them")
    out.print(
        "Put the lines of one answer into decisions.csv, with your name for YOU and the reason for WHY, and run again."
    )


def _indented(text: str) -> Padding:
    return Padding(harmless(text), (0, 0, 0, 3))


def _rest(items: Sequence[Item], shown: int) -> str:
    counts = {kind: sum(item.kind == kind for item in items[shown:]) for kind in KINDS}
    return ", ".join(f"{count} {kind}" for kind, count in counts.items() if count)


def as_json(items: Sequence[Item], shown: int) -> str:
    """The first `shown` items and the number of the rest, as JSON."""
    told = [
        {
            **item._asdict(),
            "night": item.night and str(item.night),
            "answers": [answer._asdict() for answer in item.answers],
        }
        for item in items[:shown]
    ]
    return json.dumps({"items": told, "more": max(len(items) - shown, 0)}, ensure_ascii=False, indent=1)
