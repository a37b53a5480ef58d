"""The trackers' labels led to players: by decision, tracker id or name; what is only alike is proposed to a person, never taken.

Work is done on the distinct labels (a few hundred in a season), and joined back to the rows.
"""

from collections import defaultdict
from collections.abc import Iterable
from typing import NamedTuple

import polars as pl

from pipeline.players.names import Name, alike, parse_name, person_key, same_name_keys, short_form
from pipeline.players.opponents import US, name_strangers
from pipeline.settings.people import PROVISIONAL, throwers
from schemas.contract import conform
from schemas.metrics import HANDS
from schemas.people import NAME_MATCHES, PLAYERS

# from this likeness on a label may be a misspelling of a roster name. Common practice, no source: one wrong letter in a name of
# twelve is 92, two are 83, and two brothers' first names ("Marco", "Marcus") stay below.
ALIKE = 85.0
# with the same last name and first initial, from this on: "Joe" for "Joaquín"
NICKNAME = 60.0
_LABEL = ("role", "tracker", "label", "native_id", "team_label", "hand", "occasion", "baseball_day")
LABELS = (*_LABEL, "rows")


class Named(NamedTuple):
    """`sightings` with pitcher_id, batter_id and, where the export has none, pitcher_hand filled; the tables `players` and `name_matches`."""

    sightings: pl.DataFrame
    players: pl.DataFrame
    name_matches: pl.DataFrame


class Verdict(NamedTuple):
    """What one label came to. `proposal` is a player_id, or several with " or " between them where a name is two players'."""

    player_id: str | None
    how: str
    score: float | None = None
    proposal: str | None = None
    needs_person: bool = False


class Label(NamedTuple):
    """One way in which a tracker names a pitcher or batter. `side`: "ours", "theirs" or None (not known)."""

    role: str
    tracker: str
    label: str | None
    native_id: str | None
    team_label: str | None
    hand: str | None
    occasion: str | None
    side: str | None

    @property
    def is_opponent(self) -> bool:
        """Whether somebody who is not on the roster is to be expected here: the other side, or a game with no word of the side."""
        return self.side == "theirs" or (self.side is None and self.occasion == "game")


def name_players(sightings: pl.DataFrame, roster: pl.DataFrame, decisions: pl.DataFrame) -> Named:
    """Give each sighting its players. `roster`: player_id, name, hand, team, other_names, tracker_ids (text, `;` between several).

    A label of the opposing side becomes a provisional player (id `x-team-name`); in a bullpen an unknown label waits for a person.
    """
    labels = name_labels(distinct_labels(sightings), roster, decisions)
    named = with_names(sightings, labels, roster, decisions)
    return Named(named, players_of(roster, labels), name_matches_of(labels))


def name_labels(labels: pl.DataFrame, roster: pl.DataFrame, decisions: pl.DataFrame) -> pl.DataFrame:
    """Give each of the `distinct_labels` its player: the same rows in canonical order with `player_id`, `roster_hand`, and how it was found.

    What a label comes to may depend on all the others (whose team it is, which stranger is meant), so these are the labels of all nights.
    """
    book = Book(roster, decisions)
    labels = _with_sides(labels.select(LABELS).sort(_LABEL, nulls_last=False), book)
    ways = labels.select(Label._fields).unique()
    verdicts = [book.look_up(Label(*way)) for way in ways.iter_rows()]
    found = ways.hstack(pl.DataFrame(verdicts, schema=_VERDICT, orient="row"))
    labels = labels.join(found, on=Label._fields, how="left", nulls_equal=True, maintain_order="left")
    labels = name_strangers(labels)
    hands = roster.filter(pl.col("hand").is_in(HANDS)).select("player_id", roster_hand="hand")
    return labels.join(hands, on="player_id", how="left", maintain_order="left")


def with_names(
    sightings: pl.DataFrame, labels: pl.DataFrame, roster: pl.DataFrame, decisions: pl.DataFrame
) -> pl.DataFrame:
    """The sightings, in the order in which they came, with pitcher_id, pitcher_by and batter_id, and the roster's throwing hand where the
    export says none or a person says who threw."""
    strangers = strangers_decided(labels, decisions)
    known = pl.concat([roster.get_column("player_id"), strangers.get_column("player_id")])
    said = throwers(decisions).filter(pl.col("player_id").is_in(known.implode()))
    hands = pl.concat([roster.filter(pl.col("hand").is_in(HANDS)).select("player_id", "hand"), strangers.drop_nulls()])
    return _fill_hand(_as_decided(_join_ids(sightings, labels), said), hands)


def strangers_decided(labels: pl.DataFrame, decisions: pl.DataFrame) -> pl.DataFrame:
    """Of the players on no roster of whom a person says that they threw, those whom any of the named `labels` names: player_id, and the
    throwing hand as most rows have it."""
    said = throwers(decisions).get_column("player_id").unique()
    said = said.filter(said.str.starts_with(PROVISIONAL))
    theirs = labels.filter(pl.col("player_id").is_in(said.implode()))
    hands = _commonest(theirs.filter(pl.col("role") == "pitcher"), "hand")
    return theirs.select("player_id").unique().join(hands, on="player_id", how="left").sort("player_id")


_VERDICT = {
    "player_id": pl.String,
    "how": pl.String,
    "score": pl.Float64,
    "proposal": pl.String,
    "needs_person": pl.Boolean,
}


class Book:
    """The roster and the decisions, ready for looking up."""

    def __init__(self, roster: pl.DataFrame, decisions: pl.DataFrame) -> None:
        """Index every name, short form and tracker id."""
        self.hands = dict(roster.select("player_id", "hand").iter_rows())
        self.exact: defaultdict[str, set[str]] = defaultdict(set)
        self.keys: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
        self.short: defaultdict[str, set[str]] = defaultdict(set)
        self.by_tracker_id: dict[tuple[str, str], str] = {}
        self.names: list[tuple[str, Name]] = []
        for player, name, others, numbers in roster.select(
            "player_id", "name", "other_names", "tracker_ids"
        ).iter_rows():
            for spelling in (name, *_parts(others)):
                self._add_name(player, spelling)
            for known_as in _parts(numbers):
                tracker, _, number = known_as.partition(":")
                self.by_tracker_id[tracker.strip(), number.strip()] = player
        self._decisions(decisions)

    def _add_name(self, player: str, spelling: str) -> None:
        name = parse_name(spelling)
        self.exact[_as_typed(spelling)].add(player)
        self.names.append((player, name))
        for key in same_name_keys(name):
            self.keys[key, name.suffix].add(player)
            self.keys[key, "any"].add(player)
        for form in name.initials:
            self.short[form].add(player)

    def _decisions(self, decisions: pl.DataFrame) -> None:
        self.is_player: dict[tuple[str | None, str], str] = {}
        self.is_not: defaultdict[tuple[str | None, str], set[str | None]] = defaultdict(set)
        about = decisions.select("kind", "tracker", "subject", "object").filter(pl.col("subject").is_not_null())
        for kind, tracker, subject, player in about.iter_rows():
            if kind == "label_is":
                self.is_player[tracker, _subject(subject)] = player
            elif kind == "label_is_not":
                self.is_not[tracker, _subject(subject)].add(player)

    def look_up(self, label: Label) -> Verdict:
        """What a label comes to; a verdict `provisional` has no id yet."""
        decided = self._decided(label)
        if decided:
            return Verdict(decided, "decision")
        refused = self._refused(label)
        if None in refused:
            return Verdict(None, "provisional")
        by_name = self._by_name(label, refused)
        number = self.by_tracker_id.get((label.tracker, label.native_id or ""))
        if number and number not in refused:
            # a number handed on to another player: the device's number is believed, and a person is asked
            another = by_name.player_id if by_name.player_id not in (None, number) else None
            return Verdict(number, "tracker_id", None, another, another is not None)
        if by_name.player_id and label.side == "theirs":
            return Verdict(None, "provisional", 100.0, by_name.player_id, True)
        if by_name.how != "none":
            return by_name
        return self._alike(label, refused)

    def _decided(self, label: Label) -> str | None:
        if label.label is None:
            return None
        subject = _subject(label.label)
        return self.is_player.get((label.tracker, subject)) or self.is_player.get((None, subject))

    def _refused(self, label: Label) -> set[str | None]:
        subject = _subject(label.label or "")
        return self.is_not.get((label.tracker, subject), set()) | self.is_not.get((None, subject), set())

    def _by_name(self, label: Label, refused: set[str | None]) -> Verdict:
        """The player of this very name; `proposed` where it is two players', `none` where it is nobody's."""
        if label.label is None:
            return Verdict(None, "none")
        name = parse_name(label.label)
        form = short_form(name)
        steps = (
            ("exact", self.exact.get(_as_typed(label.label), set())),
            ("normalised", _all_of(self.keys, same_name_keys(name), name.suffix)),
            ("normalised", _all_of(self.keys, same_name_keys(name), "any")),
            ("initials", self.short.get(form, set()) if form else set()),
        )
        for how, players in steps:
            found = sorted(player for player in players if player not in refused)
            same_hand = [player for player in found if label.hand and self.hands[player] == label.hand]
            if len(found) == 1 or len(same_hand) == 1:
                return Verdict(found[0] if len(found) == 1 else same_hand[0], how)
            if found:
                return Verdict(None, "proposed", 100.0, " or ".join(found), True)
        return Verdict(None, "none")

    def _alike(self, label: Label, refused: set[str | None]) -> Verdict:
        """Nobody of this name: the roster name that it is most like, if it is alike; else an opponent, or a person's to settle."""
        proposals, score = self._nearest(label, refused)
        if proposals:
            how = "provisional" if label.side == "theirs" else "proposed"
            return Verdict(None, how, round(score, 1), " or ".join(proposals), True)
        if label.is_opponent or label.role == "batter":
            return Verdict(None, "provisional")
        return Verdict(None, "none", needs_person=True)

    def _nearest(self, label: Label, refused: set[str | None]) -> tuple[list[str], float]:
        name = parse_name(label.label or "")
        known = [(player, other) for player, other in self.names if player not in refused]
        if not name.words or not known:
            return [], 0.0
        found = alike(name, [other for _, other in known], ALIKE)
        if not found and label.side != "theirs":
            # another first name of the same initial: a nickname, as a rule
            found = [
                like for like in alike(name, [o for _, o in known], NICKNAME) if _same_last(name, known[like.place][1])
            ]
        best = [known[like.place][0] for like in found if like.score == found[0].score]
        return sorted(set(best)), found[0].score if found else 0.0

    def knows(self, tracker: str, label: str | None, native_id: str | None) -> bool:
        """Whether the roster has this label, by number or name."""
        pitcher = Label("pitcher", tracker, label, native_id, None, None, None, "ours")
        return self.look_up(pitcher).how in ("decision", "tracker_id", "exact", "normalised", "initials", "proposed")


def _same_last(name: Name, other: Name) -> bool:
    return (
        len(name.words) > 1
        and len(other.words) > 1
        and name.words[-1] == other.words[-1]
        and name.words[0][0] == other.words[0][0]
    )


def _parts(cell: str | None) -> list[str]:
    return [part.strip() for part in (cell or "").split(";") if part.strip()]


def _as_typed(text: str) -> str:
    """The same letters however they are encoded (canonical composition, NFC, of Unicode Standard Annex 15)."""
    import unicodedata

    return unicodedata.normalize("NFC", text.strip())


def _subject(label: str) -> str:
    """What a decision is about: a name however it is written ("Last, First" too); a label without letters as it is."""
    return person_key(label) or " ".join(_as_typed(label).casefold().split())


def _all_of(index: dict[tuple[str, str], set[str]], keys: Iterable[str], suffix: str) -> set[str]:
    return {player for key in keys for player in index.get((key, suffix), ())}


# ---- the distinct labels -----------------------------------------------------------------------------------------------------------------


def distinct_labels(sightings: pl.DataFrame) -> pl.DataFrame:
    """One row for each way in which a pitcher or batter is named, with the number of `rows`."""
    common = ("tracker", "team_label", "occasion", "baseball_day")
    pitchers = sightings.select(
        *common, role=pl.lit("pitcher"), label="pitcher_label", native_id="pitcher_native_id", hand="pitcher_hand"
    )
    batters = sightings.select(
        *common, role=pl.lit("batter"), label="batter_label", native_id="batter_native_id", hand=pl.lit(None, pl.String)
    )
    named = pl.concat([pitchers.select(_LABEL), batters.select(_LABEL)])
    named = named.filter(pl.col("label").is_not_null() | pl.col("native_id").is_not_null())
    return named.group_by(_LABEL).agg(rows=pl.len().cast(pl.UInt32)).sort(_LABEL, nulls_last=False)


def _with_sides(labels: pl.DataFrame, book: Book) -> pl.DataFrame:
    """`side`, and `team`: the label of the player's own team where it is known.

    A team label is ours where the roster knows most of its pitchers' rows that day, theirs where it knows few that day and few in all:
    so that labels like home and away, which change sides, are judged by the day. Where a tracker tells no team, another that names the
    same person that day does.
    """
    pitchers = labels.filter((pl.col("role") == "pitcher") & pl.col("team_label").is_not_null())
    by = ["tracker", "label", "native_id"]
    ways = pitchers.select(by).unique()
    known = pl.Series("known", [book.knows(*way) for way in ways.iter_rows()], dtype=pl.Boolean)
    pitchers = pitchers.join(ways.with_columns(known), on=by, nulls_equal=True)
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
        _other_team(sides), on=["tracker", "team_label", "baseball_day"], how="left", maintain_order="left"
    )
    told = labels.with_columns(
        side=pl.when(pl.col("role") == "pitcher")
        .then("pitching")
        .when(pl.col("occasion") == "game")
        .then(_other_side()),
        team=pl.when(pl.col("role") == "pitcher").then("team_label").otherwise("batting_team"),
    )
    return _with_sides_of_others(told)


def _with_sides_of_others(labels: pl.DataFrame) -> pl.DataFrame:
    names = labels.select("label").unique().drop_nulls().to_series()
    keys = pl.DataFrame(
        {"label": names, "person": [person_key(name) for name in names]},
        schema={"label": pl.String, "person": pl.String},
    )
    labels = labels.join(keys, on="label", how="left", maintain_order="left")
    by = ["role", "person", "baseball_day"]
    told = labels.filter(pl.col("side").is_not_null() & pl.col("person").is_not_null()).group_by(by)
    agreed = told.agg(_sides=pl.col("side").n_unique(), _side=pl.col("side").first()).filter(pl.col("_sides") == 1)
    labels = labels.join(agreed, on=by, how="left", maintain_order="left")
    return labels.with_columns(side=pl.coalesce("side", "_side")).drop("_sides", "_side", "person")


def _other_side() -> pl.Expr:
    """In a game those bat who do not pitch."""
    return pl.col("pitching").replace_strict({"ours": "theirs", "theirs": "ours"}, default=None, return_dtype=pl.String)


def _other_team(sides: pl.DataFrame) -> pl.DataFrame:
    """Where a tracker has two team labels on a day: who bats while the other one pitches."""
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
    """pitcher_id and batter_id on every sighting, in the order in which they came."""
    columns = list(dict.fromkeys([*sightings.columns, "pitcher_id", "pitcher_by", "batter_id"]))
    sightings = sightings.drop("pitcher_id", "pitcher_by", "batter_id", strict=False)
    common = {name: name for name in ("tracker", "team_label", "occasion", "baseball_day")}
    for role in ("pitcher", "batter"):
        by = common | {f"{role}_label": "label", f"{role}_native_id": "native_id"}
        by |= {"pitcher_hand": "hand"} if role == "pitcher" else {}
        ids = labels.filter(pl.col("role") == role).select(
            **{ours: pl.col(theirs) for ours, theirs in by.items()}, **{f"{role}_id": "player_id"}
        )
        sightings = sightings.join(ids, on=list(by), how="left", nulls_equal=True, maintain_order="left")
    by_label = pl.when(pl.col("pitcher_id").is_not_null()).then(pl.lit("label"))
    return sightings.with_columns(pitcher_by=by_label).select(columns)


def _as_decided(sightings: pl.DataFrame, throwers: pl.DataFrame) -> pl.DataFrame:
    """With the pitcher whom a person named for a sighting, whatever its label says."""
    said = sightings.join(throwers, on="sighting_id", how="left", maintain_order="left")
    by_person = pl.when(pl.col("player_id").is_not_null()).then(pl.lit("person"))
    return said.with_columns(
        pitcher_id=pl.coalesce("player_id", "pitcher_id"), pitcher_by=pl.coalesce(by_person, "pitcher_by")
    ).select(sightings.columns)


def _fill_hand(sightings: pl.DataFrame, hands: pl.DataFrame) -> pl.DataFrame:
    """The export's throwing hand before the player's; but under a label that a person contradicts it is another arm's.

    What other exports say of a stranger's hand counts only there: a decision about some of his pitches changes nothing of the others.
    """
    joined = sightings.join(
        hands.select(pitcher_id="player_id", _hand="hand"), on="pitcher_id", how="left", maintain_order="left"
    )
    of_roster = pl.when(~pl.col("pitcher_id").str.starts_with(PROVISIONAL)).then("_hand")
    filled = (
        pl.when(pl.col("pitcher_by") == "person")
        .then(pl.coalesce("_hand", "pitcher_hand"))
        .otherwise(pl.coalesce("pitcher_hand", of_roster))
    )
    return joined.with_columns(pitcher_hand=filled).select(sightings.columns)


def players_of(roster: pl.DataFrame, labels: pl.DataFrame) -> pl.DataFrame:
    """The table `players`: the roster, and those whom the labels name besides."""
    ours = roster.select(
        "player_id", "name", "hand", pl.col("team").fill_null(US), on_roster=pl.lit(True), provisional=pl.lit(False)
    )
    strangers = labels.filter(pl.col("stranger_id").is_not_null())
    said = {"name": "stranger_name", "hand": "hand", "team": "stranger_team"}
    seen = strangers.select("player_id").unique().with_columns(on_roster=pl.lit(False), provisional=pl.lit(True))
    for name, label in said.items():
        seen = seen.join(_commonest(strangers, label).rename({label: name}), on="player_id", how="left")
    return pl.concat([conform(part, PLAYERS) for part in (ours, seen)]).sort("player_id")


def _commonest(labels: pl.DataFrame, name: str) -> pl.DataFrame:
    """By player, the value of most rows; the first in the alphabet where several have as many."""
    counted = labels.filter(pl.col(name).is_not_null()).group_by("player_id", name).agg(pl.col("rows").sum())
    best = counted.sort("player_id", -pl.col("rows").cast(pl.Int64), name).unique(
        "player_id", keep="first", maintain_order=True
    )
    return best.select("player_id", name)


def name_matches_of(labels: pl.DataFrame) -> pl.DataFrame:
    """The table `name_matches`."""
    by = [name for name in NAME_MATCHES.names if name != "rows"]
    counted = labels.group_by(by).agg(pl.col("rows").sum().cast(pl.UInt32))
    return counted.select(NAME_MATCHES.names).sort(by, nulls_last=False)
