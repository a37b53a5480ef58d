"""Players who are on no roster, opponents above all: one provisional player each, whichever tracker names him and however."""

import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

import polars as pl

from pipeline.names import Name, natural_order, parse_name, short_form

US, OPPONENT, PROVISIONAL = "us", "opponent", "x-"


class Stranger(NamedTuple):
    """One row of the labels whose player is on no roster. `team` is the label of his team where the tracker tells it."""

    row: int
    name: Name
    shown: str
    key: str
    team: str | None
    else_team: str
    day: object
    tracker: str
    rows: int


def name_strangers(labels: pl.DataFrame) -> pl.DataFrame:
    """The labels with player_id filled where the verdict is `provisional`, and the strangers' name and team.

    A tracker that names no team is led by the name to the team that another one states, team labels of two trackers that name the same
    people on the same days are one team, and a short form ("C. Pell") goes to the only full name of its team that it can stand for. A
    label without a verdict, of a device that does not know whether it is at a game, is taken for a stranger whom another tracker names.
    """
    facts = labels.with_row_index("row").select(
        "row", "tracker", "label", "native_id", "role", "occasion", "side", "team", "baseball_day", "rows", "how"
    )
    named = [_stranger(*line) for line in facts.filter(pl.col("how") == "provisional").drop("how").iter_rows()]
    unsure = (pl.col("how") == "none") & pl.col("occasion").is_null()
    keys = {stranger.key for stranger in named}
    also = [s for line in facts.filter(unsure).drop("how").iter_rows() if (s := _stranger(*line)).key in keys]
    return _with_ids(labels, [*named, *also])


def _stranger(
    row: int,
    tracker: str,
    label: str | None,
    native_id: str | None,
    role: str,
    occasion: str | None,
    side: str | None,
    team: str | None,
    day: object,
    rows: int,
) -> Stranger:
    is_ours = side == "ours" or (role == "batter" and occasion in ("scrimmage", "live_bp", "bullpen"))
    # a number without a name means nothing to another tracker
    shown = natural_order(label) if label else f"{tracker} {native_id}"
    name = parse_name(label or "")
    key = " ".join([*name.words, name.suffix]).strip() or shown
    return Stranger(row, name, shown, key, team, US if is_ours else OPPONENT, day, tracker, rows)


def _with_ids(labels: pl.DataFrame, strangers: list[Stranger]) -> pl.DataFrame:
    team_of = _teams(strangers)
    placed = [(stranger, team_of(stranger)) for stranger in strangers]
    full = _full_names(placed)
    rows = [
        (s.row, f"{PROVISIONAL}{_slug(team)}-{_slug(full.get((team, s.key), s.key))}", s.shown, team)
        for s, team in placed
    ]
    schema = {"row": pl.UInt32, "stranger_id": pl.String, "stranger_name": pl.String, "stranger_team": pl.String}
    found = pl.DataFrame(rows, schema=schema, orient="row")
    joined = labels.with_row_index("row").join(found, on="row", how="left", maintain_order="left").drop("row")
    is_new = pl.col("stranger_id").is_not_null()
    settled = is_new & (pl.col("how") == "none")
    return joined.with_columns(
        player_id=pl.coalesce("player_id", "stranger_id"),
        how=pl.when(is_new).then(pl.lit("provisional")).otherwise("how"),
        needs_person=pl.col("needs_person") & ~settled,
    )


class _Teams:
    """Which team a stranger is of."""

    def __init__(self, strangers: list[Stranger]) -> None:
        stated = [s for s in strangers if s.team is not None]
        self.alias = _one_team_each(stated)
        self.on_day: defaultdict[tuple[str, object], set[str]] = defaultdict(set)
        self.ever: defaultdict[str, set[str]] = defaultdict(set)
        for s in stated:
            team = self.alias[str(s.team)]
            self.on_day[s.key, s.day].add(team)
            self.ever[s.key].add(team)

    def __call__(self, stranger: Stranger) -> str:
        if stranger.team is not None:
            return self.alias[stranger.team]
        for teams in (self.on_day.get((stranger.key, stranger.day), set()), self.ever.get(stranger.key, set())):
            if len(teams) == 1:
                return next(iter(teams))
        return stranger.else_team


def _teams(strangers: list[Stranger]) -> _Teams:
    return _Teams(strangers)


def _one_team_each(stated: list[Stranger]) -> dict[str, str]:
    """Each team label's chief label: labels under which two trackers name the same person on one day are of one team."""
    rows = Counter[str]()
    by_person: defaultdict[tuple[str, object], set[tuple[str, str]]] = defaultdict(set)
    for s in stated:
        rows[str(s.team)] += s.rows
        by_person[s.key, s.day].add((s.tracker, str(s.team)))
    same = {team: team for team in rows}

    def chief(team: str) -> str:
        while same[team] != team:
            team = same[team]
        return team

    together = {(a, b) for seen in by_person.values() for ta, a in seen for tb, b in seen if ta < tb and a != b}
    for a, b in sorted(together):
        first, second = sorted((chief(a), chief(b)), key=lambda team: (-rows[team], team))
        same[second] = first
    return {team: chief(team) for team in rows}


def _full_names(placed: Iterable[tuple[Stranger, str]]) -> dict[tuple[str, str], str]:
    """For each short form, by team: the full name that it stands for, where there is only one."""
    placed = list(placed)
    stands_for: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
    for stranger, team in placed:
        for form in stranger.name.initials:
            stands_for[team, form].add(stranger.key)
    full = {}
    for stranger, team in placed:
        short = short_form(stranger.name)
        names = stands_for.get((team, short), set()) if short else set()
        if len(names) == 1:
            full[team, stranger.key] = next(iter(names))
    return full


@lru_cache(20_000)
def _slug(text: str) -> str:
    return "-".join(re.findall(r"\w+", text.casefold())) or "unnamed"
