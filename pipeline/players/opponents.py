"""Players not on the roster, mostly opponents: one provisional player each, whatever trackers call them."""

import re
from collections import defaultdict

import polars as pl

from pipeline.players.names import natural_order, parse_name, short_form
from pipeline.settings.people import PROVISIONAL

US, OPPONENT = "us", "opponent"
_NAME_FIELDS = ("tracker", "name", "native_id")
_SPELLED: dict[str, pl.DataType | type[pl.DataType]] = {
    "shown": pl.String,
    "key": pl.String,
    "short": pl.String,
    "forms": pl.List(pl.String),
}


def identify_opponents(labels: pl.DataFrame) -> pl.DataFrame:
    """Return the labels with player_id filled where the verdict is `provisional`, and provisional_id, provisional_name, provisional_team.

    Where a tracker states no team, the name takes the team that another tracker states for it. Team labels of two trackers that name the
    same people on the same days are one team. A short form ("C. Pell") is resolved to the only full name of its team that it can mean. A
    label without a verdict, from a device that does not know whether it is at a game, is the opponent whom another tracker names so.
    """
    spelled = _with_spellings(labels.with_row_index("row"))
    is_opponent = pl.col("how") == "provisional"
    unsure = (pl.col("how") == "none") & pl.col("occasion").is_null()
    named_elsewhere = pl.col("key").is_in(spelled.filter(is_opponent).get_column("key").unique().implode())
    opponents = _with_teams(spelled.filter(is_opponent | (unsure & named_elsewhere)))
    found = _with_ids(opponents).select("row", "provisional_id", provisional_name="shown", provisional_team="own_team")
    joined = labels.with_row_index("row").join(found, on="row", how="left", maintain_order="left").drop("row")
    is_new = pl.col("provisional_id").is_not_null()
    settled = is_new & (pl.col("how") == "none")
    return joined.with_columns(
        player_id=pl.coalesce("player_id", "provisional_id"),
        how=pl.when(is_new).then(pl.lit("provisional")).otherwise("how"),
        needs_person=pl.col("needs_person") & ~settled,
    )


def _with_spellings(labels: pl.DataFrame) -> pl.DataFrame:
    """Add the name as shown, its `key` (words in spoken order), its short form if it is one, and the short `forms` that can mean it."""
    distinct = labels.select(_NAME_FIELDS).unique()
    spelled = pl.DataFrame([_spelling(*fields) for fields in distinct.iter_rows()], schema=_SPELLED, orient="row")
    return labels.join(distinct.hstack(spelled), on=_NAME_FIELDS, how="left", nulls_equal=True, maintain_order="left")


def _spelling(tracker: str, label: str | None, native_id: str | None) -> tuple[str, str, str | None, list[str]]:
    # A number without a name means nothing to another tracker.
    shown = natural_order(label) if label else f"{tracker} {native_id}"
    name = parse_name(label or "")
    key = name.spoken if name.words else shown
    return shown, key, short_form(name), sorted(name.initials)


def _with_teams(opponents: pl.DataFrame) -> pl.DataFrame:
    """Add own_team: the stated team under its main label; else the one stated for this name that day, or ever; else the player's side."""
    main_label = _main_team_labels(opponents)
    opponents = opponents.with_columns(
        own_team=pl.col("team").replace_strict(main_label, default=None, return_dtype=pl.String)
    )
    stated = opponents.filter(pl.col("own_team").is_not_null())
    for column, by in (("_that_day", ["key", "baseball_day"]), ("_ever", ["key"])):
        only = stated.group_by(by).agg(pl.col("own_team").unique()).filter(pl.col("own_team").list.len() == 1)
        one = only.select(*by, pl.col("own_team").list.first().alias(column))
        opponents = opponents.join(one, on=by, how="left", maintain_order="left")
    batting_ours = (pl.col("role") == "batter") & pl.col("occasion").is_in(["scrimmage", "live_bp", "bullpen"])
    is_ours = (pl.col("side") == "ours").fill_null(False) | batting_ours.fill_null(False)
    side = pl.when(is_ours).then(pl.lit(US)).otherwise(pl.lit(OPPONENT))
    return opponents.with_columns(own_team=pl.coalesce("own_team", "_that_day", "_ever", side))


def _main_team_labels(opponents: pl.DataFrame) -> dict[str, str]:
    """Return each team label's main label: labels under which two trackers name the same person on one day are one team."""
    stated = opponents.filter(pl.col("team").is_not_null())
    rows = dict(stated.group_by("team").agg(pl.col("rows").sum()).iter_rows())
    same = {team: team for team in rows}

    def main_of(team: str) -> str:
        while same[team] != team:
            team = same[team]
        return team

    named = stated.select("key", "baseball_day", "tracker", "team").unique()
    both = named.join(named, on=["key", "baseball_day"], nulls_equal=True, suffix="_b")
    two_trackers = (pl.col("tracker") < pl.col("tracker_b")) & (pl.col("team") != pl.col("team_b"))
    for a, b in both.filter(two_trackers).select("team", "team_b").unique().sort("team", "team_b").iter_rows():
        first, second = sorted((main_of(a), main_of(b)), key=lambda team: (-rows[team], team))
        same[second] = first
    return {team: main_of(team) for team in rows}


def _with_ids(opponents: pl.DataFrame) -> pl.DataFrame:
    """Add provisional_id, from team and full name; a short form gets that of the full name it means, if there is only one."""
    people = opponents.unique(["own_team", "key"], keep="first", maintain_order=True)
    people = people.select("own_team", "key", "short", "forms")
    full_names: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
    for team, key, _, forms in people.iter_rows():
        for form in forms:
            full_names[team, form].add(key)
    ids = [
        f"{PROVISIONAL}{_slug(team)}-{_slug(_only(full_names.get((team, short))) or key)}"
        for team, key, short, _ in people.iter_rows()
    ]
    people = people.select("own_team", "key", provisional_id=pl.Series(ids, dtype=pl.String))
    return opponents.join(people, on=["own_team", "key"], how="left", maintain_order="left")


def _only(names: set[str] | None) -> str | None:
    return next(iter(names)) if names and len(names) == 1 else None


def _slug(text: str) -> str:
    return "-".join(re.findall(r"\w+", text.casefold())) or "unnamed"
