"""Identify the player behind each label of a tracker: by decision, by tracker id or by name. A similar name is only proposed to a person.

The work is done on distinct labels (a few hundred in a season), whose players are then joined to the rows.
"""

from collections import defaultdict
from collections.abc import Iterable
from typing import NamedTuple

import polars as pl

from pipeline.players.names import (
    Name,
    parse_name,
    person_key,
    same_name_keys,
    short_form,
    similar_names,
    without_number,
)
from pipeline.players.opponents import US, identify_opponents
from pipeline.settings.people import PROVISIONAL, throwers
from schemas.contract import conform
from schemas.metrics import HANDS
from schemas.people import NAME_MATCHES, PLAYERS

# Edit similarity (0-100) from which a label may be a misspelling of a roster name. Common practice, no source: one wrong letter in a
# name of twelve gives 92, two give 83, and the first names of two brothers ("Marco", "Marcus") stay below.
SIMILAR = 85.0
# the same for names with the same last name and first initial: "Joe" for "Joaquín". Common practice, no source.
SIMILAR_NICKNAME = 60.0
_LABEL_KEY = ("role", "tracker", "label", "native_id", "team_label", "hand", "occasion", "baseball_day")
LABELS = (*_LABEL_KEY, "rows")
# columns of identified labels that the next run compares with its own
NAMED_LABELS: dict[str, pl.DataType | type[pl.DataType]] = {
    **dict.fromkeys(LABELS, pl.String),
    "baseball_day": pl.Date,
    "rows": pl.UInt32,
    "player_id": pl.String,
    "roster_hand": pl.String,
}


class Verdict(NamedTuple):
    """The player of one label, and how it was found. `proposal`: a player_id, or several joined by " or " where two players share a name."""

    player_id: str | None
    how: str
    score: float | None = None
    proposal: str | None = None
    needs_person: bool = False


class Label(NamedTuple):
    """One name that a tracker gives a pitcher or batter. `side`: "ours", "theirs" or None (not known).

    `name`: the label, without its number where that tells nobody apart.
    """

    role: str
    tracker: str
    label: str | None
    name: str | None
    native_id: str | None
    team_label: str | None
    hand: str | None
    occasion: str | None
    side: str | None

    @property
    def is_opponent(self) -> bool:
        """Return whether a player not on the roster is expected here: on the other side, or in a game with no side stated."""
        return self.side == "theirs" or (self.side is None and self.occasion == "game")


def identify_labels(labels: pl.DataFrame, roster: pl.DataFrame, decisions: pl.DataFrame) -> pl.DataFrame:
    """Return the `distinct_labels` of all nights in canonical order, with `player_id`, `roster_hand`, and how the player was found.

    Labels of all nights are needed: a label's player may depend on other labels (whose team it is, which opponent it means).
    """
    index = RosterIndex(roster, decisions)
    labels = _with_sides(_with_names(labels.select(LABELS).sort(_LABEL_KEY, nulls_last=False)), index)
    distinct = labels.select(Label._fields).unique()
    verdicts = [index.look_up(Label(*fields)) for fields in distinct.iter_rows()]
    found = distinct.hstack(pl.DataFrame(verdicts, schema=_VERDICT, orient="row"))
    labels = labels.join(found, on=Label._fields, how="left", nulls_equal=True, maintain_order="left")
    labels = identify_opponents(labels)
    hands = roster.filter(pl.col("hand").is_in(HANDS)).select("player_id", roster_hand="hand")
    return labels.join(hands, on="player_id", how="left", maintain_order="left")


def with_player_ids(
    sightings: pl.DataFrame, labels: pl.DataFrame, roster: pl.DataFrame, decisions: pl.DataFrame
) -> pl.DataFrame:
    """Return the sightings, in the same order, with pitcher_id, pitcher_by, batter_id and pitcher_hand.

    The throwing hand comes from the roster where the export states none, or where a person's decision names the pitcher.
    """
    opponents = decided_opponents(labels, decisions)
    known = pl.concat([roster.get_column("player_id"), opponents.get_column("player_id")])
    decided = throwers(decisions).filter(pl.col("player_id").is_in(known.implode()))
    hands = pl.concat([roster.filter(pl.col("hand").is_in(HANDS)).select("player_id", "hand"), opponents.drop_nulls()])
    return _fill_hand(_apply_decisions(_join_ids(sightings, labels), decided), hands)


def decided_opponents(labels: pl.DataFrame, decisions: pl.DataFrame) -> pl.DataFrame:
    """Return the provisional players whom both a thrown_by decision and an identified label name: player_id, and hand as most rows state it."""
    decided = throwers(decisions).get_column("player_id").unique()
    decided = decided.filter(decided.str.starts_with(PROVISIONAL))
    named = labels.filter(pl.col("player_id").is_in(decided.implode()))
    hands = _most_common(named.filter(pl.col("role") == "pitcher"), "hand")
    return named.select("player_id").unique().join(hands, on="player_id", how="left").sort("player_id")


_VERDICT = {
    "player_id": pl.String,
    "how": pl.String,
    "score": pl.Float64,
    "proposal": pl.String,
    "needs_person": pl.Boolean,
}


class RosterIndex:
    """The roster and the decisions, indexed for looking up labels."""

    def __init__(self, roster: pl.DataFrame, decisions: pl.DataFrame) -> None:
        """Index every name, short form and tracker id."""
        self.hands = dict(roster.select("player_id", "hand").iter_rows())
        self.exact: defaultdict[str, set[str]] = defaultdict(set)
        self.keys: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
        self.short: defaultdict[str, set[str]] = defaultdict(set)
        self.by_tracker_id: dict[tuple[str, str], str] = {}
        self.names: list[tuple[str, Name]] = []
        for player, name, other_names, tracker_ids in roster.select(
            "player_id", "name", "other_names", "tracker_ids"
        ).iter_rows():
            for spelling in (name, *_parts(other_names)):
                self._add_name(player, spelling)
            for tracker_id in _parts(tracker_ids):
                tracker, _, number = tracker_id.partition(":")
                self.by_tracker_id[tracker.strip(), number.strip()] = player
        self._add_decisions(decisions)

    def _add_name(self, player: str, spelling: str) -> None:
        name = parse_name(spelling)
        self.exact[_as_typed(spelling)].add(player)
        self.names.append((player, name))
        for key in same_name_keys(name):
            self.keys[key, name.suffix].add(player)
            self.keys[key, "any"].add(player)
        for form in name.initials:
            self.short[form].add(player)

    def _add_decisions(self, decisions: pl.DataFrame) -> None:
        self.is_player: dict[tuple[str | None, str], str] = {}
        self.is_not: defaultdict[tuple[str | None, str], set[str | None]] = defaultdict(set)
        with_subject = decisions.select("kind", "tracker", "subject", "object").filter(pl.col("subject").is_not_null())
        for kind, tracker, subject, player in with_subject.iter_rows():
            if kind == "label_is":
                self.is_player[tracker, _subject(subject)] = player
            elif kind == "label_is_not":
                self.is_not[tracker, _subject(subject)].add(player)

    def look_up(self, label: Label) -> Verdict:
        """Return the verdict on a label; a verdict `provisional` has no player_id yet."""
        if decided := self._decided_player(label):
            return Verdict(decided, "decision")
        excluded = self._excluded_players(label)
        if None in excluded:
            return Verdict(None, "provisional")
        by_name = self._by_name(label, excluded)
        number = self.by_tracker_id.get((label.tracker, label.native_id or ""))
        if number and number not in excluded:
            # The name is another player's, so the number may have been reassigned: trust the number, and ask a person.
            another = by_name.player_id if by_name.player_id not in (None, number) else None
            return Verdict(number, "tracker_id", None, another, another is not None)
        if by_name.player_id and label.side == "theirs":
            return Verdict(None, "provisional", 100.0, by_name.player_id, True)
        if by_name.how != "none":
            return by_name
        return self._by_similar_name(label, excluded)

    def _decided_player(self, label: Label) -> str | None:
        return next((self.is_player[key] for key in _subjects(label) if key in self.is_player), None)

    def _excluded_players(self, label: Label) -> set[str | None]:
        return {player for key in _subjects(label) for player in self.is_not.get(key, ())}

    def _by_name(self, label: Label, excluded: set[str | None]) -> Verdict:
        """Return the player of exactly this name; `proposed` where two players share it, `none` where no player has it."""
        if label.label is None or label.name is None:
            return Verdict(None, "none")
        name = parse_name(label.name)
        form = short_form(name)
        steps = (
            ("exact", self.exact.get(_as_typed(label.label), set())),
            ("normalised", _players_by_key(self.keys, same_name_keys(name), name.suffix)),
            ("normalised", _players_by_key(self.keys, same_name_keys(name), "any")),
            ("initials", self.short.get(form, set()) if form else set()),
        )
        for how, players in steps:
            found = sorted(player for player in players if player not in excluded)
            same_hand = [player for player in found if label.hand and self.hands[player] == label.hand]
            if len(found) == 1 or len(same_hand) == 1:
                return Verdict(found[0] if len(found) == 1 else same_hand[0], how)
            if found:
                return Verdict(None, "proposed", 100.0, " or ".join(found), True)
        return Verdict(None, "none")

    def _by_similar_name(self, label: Label, excluded: set[str | None]) -> Verdict:
        """Return the most similar roster name as a proposal; without one, an opponent, or a label that needs a person's decision."""
        proposals, score = self._nearest(label, excluded)
        if proposals:
            how = "provisional" if label.side == "theirs" else "proposed"
            return Verdict(None, how, round(score, 1), " or ".join(proposals), True)
        if label.is_opponent or label.role == "batter":
            return Verdict(None, "provisional")
        return Verdict(None, "none", needs_person=True)

    def _nearest(self, label: Label, excluded: set[str | None]) -> tuple[list[str], float]:
        name = parse_name(label.name or "")
        known = [(player, other) for player, other in self.names if player not in excluded]
        if not name.words or not known:
            return [], 0.0
        found = similar_names(name, [other for _, other in known], SIMILAR)
        if not found and label.side != "theirs":
            # another first name with the same initial is usually a nickname
            nicknames = similar_names(name, [other for _, other in known], SIMILAR_NICKNAME)
            found = [match for match in nicknames if _same_last_name(name, known[match.place][1])]
        best = [known[match.place][0] for match in found if match.score == found[0].score]
        return sorted(set(best)), found[0].score if found else 0.0

    def knows(self, tracker: str, label: str | None, name: str | None, native_id: str | None) -> bool:
        """Return whether a decision or the roster has this label, by tracker id or name."""
        pitcher = Label("pitcher", tracker, label, name, native_id, None, None, None, "ours")
        return self.look_up(pitcher).how in ("decision", "tracker_id", "exact", "normalised", "initials", "proposed")


def _same_last_name(name: Name, other: Name) -> bool:
    return (
        len(name.words) > 1
        and len(other.words) > 1
        and name.words[-1] == other.words[-1]
        and name.words[0][0] == other.words[0][0]
    )


def _parts(cell: str | None) -> list[str]:
    return [part.strip() for part in (cell or "").split(";") if part.strip()]


def _as_typed(text: str) -> str:
    """Return the same letters in one encoding (canonical composition, NFC, Unicode Standard Annex 15)."""
    import unicodedata

    return unicodedata.normalize("NFC", text.strip())


def _subject(label: str) -> str:
    """Return the key by which a decision names a label: a name in any spelling ("Last, First" too), or a label without letters as it is."""
    return person_key(label) or " ".join(_as_typed(label).casefold().split())


def _subjects(label: Label) -> list[tuple[str | None, str]]:
    """Return the tracker and subject of decisions that name this label: with its number before without, its own tracker's before all."""
    subjects = dict.fromkeys(_subject(text) for text in (label.label, label.name) if text)
    return [(tracker, subject) for subject in subjects for tracker in (label.tracker, None)]


def _players_by_key(index: dict[tuple[str, str], set[str]], keys: Iterable[str], suffix: str) -> set[str]:
    return {player for key in keys for player in index.get((key, suffix), ())}


# ---- the distinct labels -----------------------------------------------------------------------------------------------------------------


def distinct_labels(sightings: pl.DataFrame) -> pl.DataFrame:
    """Return one row per distinct label of a pitcher or batter, with its number of `rows`."""
    common = ("tracker", "team_label", "occasion", "baseball_day")
    pitchers = sightings.select(
        *common, role=pl.lit("pitcher"), label="pitcher_label", native_id="pitcher_native_id", hand="pitcher_hand"
    )
    batters = sightings.select(
        *common, role=pl.lit("batter"), label="batter_label", native_id="batter_native_id", hand=pl.lit(None, pl.String)
    )
    named = pl.concat([pitchers.select(_LABEL_KEY), batters.select(_LABEL_KEY)])
    named = named.filter(pl.col("label").is_not_null() | pl.col("native_id").is_not_null())
    return named.group_by(_LABEL_KEY).agg(rows=pl.len().cast(pl.UInt32)).sort(_LABEL_KEY, nulls_last=False)


def _with_names(labels: pl.DataFrame) -> pl.DataFrame:
    """Add `name`: the label, without its number where the rest is a full name with no other number in that tracker's and team's labels."""
    by = ["role", "tracker", "team_label"]
    distinct = labels.select(*by, "label").unique().drop_nulls("label")
    parsed = [_bare_name(label) for label in distinct.get_column("label")]
    schema = {"bare": pl.String, "person": pl.String, "numbers": pl.String}
    distinct = distinct.hstack(pl.DataFrame(parsed, schema=schema, orient="row"))
    is_only = pl.col("person").is_not_null() & (pl.col("numbers").drop_nulls().n_unique().over(*by, "person") == 1)
    names = distinct.with_columns(name=pl.when(is_only).then("bare").otherwise("label")).select(*by, "label", "name")
    return labels.join(names, on=[*by, "label"], how="left", nulls_equal=True, maintain_order="left")


def _bare_name(label: str) -> tuple[str, str | None, str | None]:
    """Return the label without its number, the key of that full name (None if it is not one), and the number."""
    bare = without_number(label)
    return bare, person_key(bare) if parse_name(bare).is_full else None, " ".join(parse_name(label).numbers) or None


def _with_sides(labels: pl.DataFrame, index: RosterIndex) -> pl.DataFrame:
    """Add `side`, and `team`: the label of the player's own team where it is known.

    A team label is ours where the roster knows most of its pitchers' rows that day, theirs where it knows fewer than half that day and
    overall. So labels such as home and away, which change sides, are judged by day. Where a tracker states no team, the side comes from
    another tracker that names the same person that day.
    """
    pitchers = labels.filter((pl.col("role") == "pitcher") & pl.col("team_label").is_not_null())
    by = ["tracker", "label", "name", "native_id"]
    distinct = pitchers.select(by).unique()
    known = pl.Series("known", [index.knows(*fields) for fields in distinct.iter_rows()], dtype=pl.Boolean)
    pitchers = pitchers.join(distinct.with_columns(known), on=by, nulls_equal=True)
    pitchers = pitchers.with_columns(pl.col("known") * pl.col("rows"))
    all_days = pitchers.group_by("tracker", "team_label").agg(in_all=pl.col("known").sum() / pl.col("rows").sum())
    by_day = pitchers.group_by("tracker", "team_label", "baseball_day").agg(
        that_day=pl.col("known").sum() / pl.col("rows").sum()
    )
    sides = by_day.join(all_days, on=["tracker", "team_label"]).select(
        "tracker",
        "team_label",
        "baseball_day",
        pitching=pl.when(pl.col("that_day") >= 0.5)
        .then(pl.lit("ours"))
        .when(pl.col("in_all") < 0.5)
        .then(pl.lit("theirs")),
    )
    labels = labels.join(sides, on=["tracker", "team_label", "baseball_day"], how="left", maintain_order="left")
    labels = labels.join(
        _batting_teams(sides), on=["tracker", "team_label", "baseball_day"], how="left", maintain_order="left"
    )
    labels = labels.with_columns(
        side=pl.when(pl.col("role") == "pitcher")
        .then("pitching")
        .when(pl.col("occasion") == "game")
        .then(_batting_side()),
        team=pl.when(pl.col("role") == "pitcher").then("team_label").otherwise("batting_team"),
    )
    return _fill_side_from_other_trackers(labels)


def _fill_side_from_other_trackers(labels: pl.DataFrame) -> pl.DataFrame:
    names = labels.select("name").unique().drop_nulls().to_series()
    keys = pl.DataFrame(
        {"name": names, "person": [person_key(name) for name in names]},
        schema={"name": pl.String, "person": pl.String},
    )
    labels = labels.join(keys, on="name", how="left", maintain_order="left")
    by = ["role", "person", "baseball_day"]
    stated = labels.filter(pl.col("side").is_not_null() & pl.col("person").is_not_null()).group_by(by)
    agreed = stated.agg(_sides=pl.col("side").n_unique(), _side=pl.col("side").first()).filter(pl.col("_sides") == 1)
    labels = labels.join(agreed, on=by, how="left", maintain_order="left")
    return labels.with_columns(side=pl.coalesce("side", "_side")).drop("_sides", "_side", "person")


def _batting_side() -> pl.Expr:
    """Return the batting side of a game, from the pitching side."""
    return pl.col("pitching").replace_strict({"ours": "theirs", "theirs": "ours"}, default=None, return_dtype=pl.String)


def _batting_teams(sides: pl.DataFrame) -> pl.DataFrame:
    """Return batting_team where a tracker has two team labels on a day: the one that does not pitch."""
    teams = (
        sides.group_by("tracker", "baseball_day")
        .agg(pl.col("team_label").sort().alias("teams"))
        .filter(pl.col("teams").list.len() == 2)
    )
    first, last = pl.col("teams").list.first(), pl.col("teams").list.last()
    pairs = [
        teams.select("tracker", "baseball_day", team_label=a, batting_team=b) for a, b in ((first, last), (last, first))
    ]
    return pl.concat(pairs)


# ---- back to the rows, and the two tables ---------------------------------------------------------------------------------------------------


def _join_ids(sightings: pl.DataFrame, labels: pl.DataFrame) -> pl.DataFrame:
    """Add pitcher_id and batter_id to every sighting, in the same order."""
    columns = list(dict.fromkeys([*sightings.columns, "pitcher_id", "pitcher_by", "batter_id"]))
    sightings = sightings.drop("pitcher_id", "pitcher_by", "batter_id", strict=False)
    common = {name: name for name in ("tracker", "team_label", "occasion", "baseball_day")}
    for role in ("pitcher", "batter"):
        by = common | {f"{role}_label": "label", f"{role}_native_id": "native_id"}
        by |= {"pitcher_hand": "hand"} if role == "pitcher" else {}
        ids = labels.filter(pl.col("role") == role).select(
            **{of_sighting: pl.col(of_label) for of_sighting, of_label in by.items()}, **{f"{role}_id": "player_id"}
        )
        sightings = sightings.join(ids, on=list(by), how="left", nulls_equal=True, maintain_order="left")
    by_label = pl.when(pl.col("pitcher_id").is_not_null()).then(pl.lit("label"))
    return sightings.with_columns(pitcher_by=by_label).select(columns)


def _apply_decisions(sightings: pl.DataFrame, decided: pl.DataFrame) -> pl.DataFrame:
    """Set the pitcher that a person's decision names for a sighting, whatever its label says."""
    joined = sightings.join(decided, on="sighting_id", how="left", maintain_order="left")
    by_person = pl.when(pl.col("player_id").is_not_null()).then(pl.lit("person"))
    return joined.with_columns(
        pitcher_id=pl.coalesce("player_id", "pitcher_id"), pitcher_by=pl.coalesce(by_person, "pitcher_by")
    ).select(sightings.columns)


def _fill_hand(sightings: pl.DataFrame, hands: pl.DataFrame) -> pl.DataFrame:
    """Fill pitcher_hand: the export's first, then the roster's; where a person's decision names the pitcher, the player's own first.

    An opponent's hand as other exports state it counts only where a decision names him: his other pitches stay as they were.
    """
    joined = sightings.join(
        hands.select(pitcher_id="player_id", _hand="hand"), on="pitcher_id", how="left", maintain_order="left"
    )
    roster_hand = pl.when(~pl.col("pitcher_id").str.starts_with(PROVISIONAL)).then("_hand")
    filled = (
        pl.when(pl.col("pitcher_by") == "person")
        .then(pl.coalesce("_hand", "pitcher_hand"))
        .otherwise(pl.coalesce("pitcher_hand", roster_hand))
    )
    return joined.with_columns(pitcher_hand=filled).select(sightings.columns)


def players_table(roster: pl.DataFrame, labels: pl.DataFrame) -> pl.DataFrame:
    """Return the table `players`: the roster, and the provisional players whom the labels name."""
    on_roster = roster.select(
        "player_id", "name", "hand", pl.col("team").fill_null(US), on_roster=pl.lit(True), provisional=pl.lit(False)
    )
    opponents = labels.filter(pl.col("provisional_id").is_not_null())
    provisional = opponents.select("player_id").unique().with_columns(on_roster=pl.lit(False), provisional=pl.lit(True))
    for name, label in (("name", "provisional_name"), ("hand", "hand"), ("team", "provisional_team")):
        most_common = _most_common(opponents, label).rename({label: name})
        provisional = provisional.join(most_common, on="player_id", how="left")
    return pl.concat([conform(part, PLAYERS) for part in (on_roster, provisional)]).sort("player_id")


def _most_common(labels: pl.DataFrame, name: str) -> pl.DataFrame:
    """Return by player the value with the most rows; in a tie, the first in the alphabet."""
    counted = labels.filter(pl.col(name).is_not_null()).group_by("player_id", name).agg(pl.col("rows").sum())
    best = counted.sort("player_id", -pl.col("rows").cast(pl.Int64), name).unique(
        "player_id", keep="first", maintain_order=True
    )
    return best.select("player_id", name)


def name_matches_table(labels: pl.DataFrame) -> pl.DataFrame:
    """Return the table `name_matches`."""
    by = [name for name in NAME_MATCHES.names if name != "rows"]
    counted = labels.group_by(by).agg(pl.col("rows").sum().cast(pl.UInt32))
    return counted.select(NAME_MATCHES.names).sort(by, nulls_last=False)
