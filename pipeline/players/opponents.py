"""Players who are on no roster, opponents above all: one provisional player each, whichever tracker names him and however."""

import re
from collections import defaultdict

import polars as pl

from pipeline.players.names import natural_order, parse_name, short_form
from pipeline.settings.people import PROVISIONAL

US, OPPONENT = "us", "opponent"
_NAMED = ("tracker", "label", "native_id")
_SPELLED: dict[str, pl.DataType | type[pl.DataType]] = {
    "shown": pl.String,
    "key": pl.String,
    "short": pl.String,
    "forms": pl.List(pl.String),
}


def name_strangers(labels: pl.DataFrame) -> pl.DataFrame:
    """The labels with player_id filled where the verdict is `provisional`, and the strangers' name and team.

    A tracker that names no team is led by the name to the team that another one states, team labels of two trackers that name the same
    people on the same days are one team, and a short form ("C. Pell") goes to the only full name of its team that it can stand for. A
    label without a verdict, of a device that does not know whether it is at a game, is taken for a stranger whom another tracker names.
    """
    told = _spelled(labels.with_row_index("row"))
    is_stranger = pl.col("how") == "provisional"
    unsure = (pl.col("how") == "none") & pl.col("occasion").is_null()
    of_strangers = pl.col("key").is_in(told.filter(is_stranger).get_column("key").unique().implode())
    strangers = _with_teams(told.filter(is_stranger | (unsure & of_strangers)))
    found = _with_ids(strangers).select("row", "stranger_id", stranger_name="shown", stranger_team="of_team")
    joined = labels.with_row_index("row").join(found, on="row", how="left", maintain_order="left").drop("row")
    is_new = pl.col("stranger_id").is_not_null()
    settled = is_new & (pl.col("how") == "none")
    return joined.with_columns(
        player_id=pl.coalesce("player_id", "stranger_id"),
        how=pl.when(is_new).then(pl.lit("provisional")).otherwise("how"),
        needs_person=pl.col("needs_person") & ~settled,
    )


def _spelled(labels: pl.DataFrame) -> pl.DataFrame:
    """Each label's name as it is shown, its `key` (the words in spoken order), its short form where it is one, and those that lead to it."""
    ways = labels.select(_NAMED).unique()
    spelled = pl.DataFrame([_spelling(*way) for way in ways.iter_rows()], schema=_SPELLED, orient="row")
    return labels.join(ways.hstack(spelled), on=_NAMED, how="left", nulls_equal=True, maintain_order="left")


def _spelling(tracker: str, label: str | None, native_id: str | None) -> tuple[str, str, str | None, list[str]]:
    # a number without a name means nothing to another tracker
    shown = natural_order(label) if label else f"{tracker} {native_id}"
    name = parse_name(label or "")
    key = " ".join([*name.words, name.suffix]).strip() or shown
    return shown, key, short_form(name), sorted(name.initials)


def _with_teams(strangers: pl.DataFrame) -> pl.DataFrame:
    """`of_team`: the team stated, by its chief label; else the one that others state of this name that day, or ever; else which side he is on."""
    chief = _chief_labels(strangers)
    strangers = strangers.with_columns(
        of_team=pl.col("team").replace_strict(chief, default=None, return_dtype=pl.String)
    )
    stated = strangers.filter(pl.col("of_team").is_not_null())
    for column, by in (("_that_day", ["key", "baseball_day"]), ("_ever", ["key"])):
        only = stated.group_by(by).agg(pl.col("of_team").unique()).filter(pl.col("of_team").list.len() == 1)
        one = only.select(*by, pl.col("of_team").list.first().alias(column))
        strangers = strangers.join(one, on=by, how="left", maintain_order="left")
    batting_ours = (pl.col("role") == "batter") & pl.col("occasion").is_in(["scrimmage", "live_bp", "bullpen"])
    is_ours = (pl.col("side") == "ours").fill_null(False) | batting_ours.fill_null(False)
    side = pl.when(is_ours).then(pl.lit(US)).otherwise(pl.lit(OPPONENT))
    return strangers.with_columns(of_team=pl.coalesce("of_team", "_that_day", "_ever", side))


def _chief_labels(strangers: pl.DataFrame) -> dict[str, str]:
    """Each team label's chief label: labels under which two trackers name the same person on one day are of one team."""
    stated = strangers.filter(pl.col("team").is_not_null())
    rows = dict(stated.group_by("team").agg(pl.col("rows").sum()).iter_rows())
    same = {team: team for team in rows}

    def chief(team: str) -> str:
        while same[team] != team:
            team = same[team]
        return team

    said = stated.select("key", "baseball_day", "tracker", "team").unique()
    both = said.join(said, on=["key", "baseball_day"], nulls_equal=True, suffix="_b")
    apart = (pl.col("tracker") < pl.col("tracker_b")) & (pl.col("team") != pl.col("team_b"))
    for a, b in both.filter(apart).select("team", "team_b").unique().sort("team", "team_b").iter_rows():
        first, second = sorted((chief(a), chief(b)), key=lambda team: (-rows[team], team))
        same[second] = first
    return {team: chief(team) for team in rows}


def _with_ids(strangers: pl.DataFrame) -> pl.DataFrame:
    """`stranger_id` from the team and the name in full: a short form's is that of the full name that it stands for, where there is only one."""
    people = strangers.unique(["of_team", "key"], keep="first", maintain_order=True)
    people = people.select("of_team", "key", "short", "forms")
    stands_for: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
    for team, key, _, forms in people.iter_rows():
        for form in forms:
            stands_for[team, form].add(key)
    ids = [
        f"{PROVISIONAL}{_slug(team)}-{_slug(_only(stands_for.get((team, short))) or key)}"
        for team, key, short, _ in people.iter_rows()
    ]
    people = people.select("of_team", "key", stranger_id=pl.Series(ids, dtype=pl.String))
    return strangers.join(people, on=["of_team", "key"], how="left", maintain_order="left")


def _only(names: set[str] | None) -> str | None:
    return next(iter(names)) if names and len(names) == 1 else None


def _slug(text: str) -> str:
    return "-".join(re.findall(r"\w+", text.casefold())) or "unnamed"
