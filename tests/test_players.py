"""Identify players. The spellings are invented; equal text is that of Unicode Standard Annex 15."""

import unicodedata
from typing import NamedTuple

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.players.identify import (
    distinct_labels,
    identify_labels,
    name_matches_table,
    players_table,
    with_player_ids,
)
from pipeline.players.names import natural_order, parse_name, person_key, same_name_keys, short_form, similar_names
from schemas.contract import failures_of
from schemas.people import NAME_MATCHES, PLAYERS

ROSTER = [
    {"player_id": "p01", "name": "José Tarrowvane", "hand": "right", "tracker_ids": "radar:41;pen:7"},
    {"player_id": "p02", "name": "Wes O'Kellan Jr.", "hand": "left"},
    {
        "player_id": "p03",
        "name": "Jean-Luc Brandemere",
        "hand": "right",
        "other_names": "JL Brandemere; Lucky Brandemere",
    },
    {"player_id": "p04", "name": "Silas Wendrow", "hand": "left"},
    {"player_id": "p05", "name": "Simon Wendrow", "hand": "right"},
    {"player_id": "p06", "name": "Cal Morrowby", "hand": "left"},
    {"player_id": "p07", "name": "Cal Morrowby", "hand": "right"},
    {"player_id": "p08", "name": "Søren Łukowicz"},
]


def roster(*rows: dict[str, str]) -> pl.DataFrame:
    names = ("player_id", "name", "hand", "team", "other_names", "tracker_ids")
    return pl.DataFrame(list(rows or ROSTER), schema=dict.fromkeys(names, pl.String))


def decisions(*rows: dict[str, str | None]) -> pl.DataFrame:
    names = ("kind", "tracker", "subject", "object", "by", "on", "why")
    return pl.DataFrame(list(rows), schema=dict.fromkeys(names, pl.String))


def sightings(*rows: dict[str, object]) -> pl.DataFrame:
    usual = {"tracker": "radar", "occasion": "bullpen", "baseball_day": "2026-10-12"}
    text = ("pitcher_label", "pitcher_native_id", "pitcher_hand", "team_label", "batter_label", "batter_native_id")
    schema = {"sighting_id": pl.String} | dict.fromkeys((*usual, *text), pl.String)
    frame = pl.DataFrame([usual | {"sighting_id": f"s{n}"} | row for n, row in enumerate(rows)], schema=schema)
    return frame.with_columns(pl.col("baseball_day").str.to_date())


class Named(NamedTuple):
    sightings: pl.DataFrame
    players: pl.DataFrame
    name_matches: pl.DataFrame


def name_players(seen: pl.DataFrame, roster_rows: pl.DataFrame, decided: pl.DataFrame) -> Named:
    """Run the stages of a night that identify players."""
    labels = identify_labels(distinct_labels(seen), roster_rows, decided)
    named = with_player_ids(seen, labels, roster_rows, decided)
    return Named(named, players_table(roster_rows, labels), name_matches_table(labels))


def one(label: str | None, *choices: dict[str, str | None], **more: object) -> dict[str, object]:
    """Return the row of name_matches for a single label."""
    named = name_players(sightings({"pitcher_label": label} | more), roster(), decisions(*choices))
    (line,) = named.name_matches.to_dicts()
    assert named.sightings.get_column("pitcher_id").to_list() == [line["player_id"]]
    return line


def ids(named: Named) -> list[str | None]:
    return named.sightings.get_column("pitcher_id").to_list()


# ---- equal names ---------------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("label", "player", "how"),
    [
        ("José Tarrowvane", "p01", "exact"),
        (unicodedata.normalize("NFD", "José Tarrowvane"), "p01", "exact"),
        ("  José Tarrowvane ", "p01", "exact"),
        ("jose tarrowvane", "p01", "normalised"),
        ("TARROWVANE, JOSÉ", "p01", "normalised"),
        ("Tarrowvane Jose", "p01", "normalised"),
        ("José  Tarrowvane (R)", None, "proposed"),
        ("#27 José Tarrowvane", "p01", "normalised"),
        ("Ｊｏｓé Tarrowvane", "p01", "normalised"),
        ("Wes O’Kellan", "p02", "normalised"),
        ("OKellan, Wes, Jr", "p02", "normalised"),
        ("O'Kellan Jr., Wes", "p02", "normalised"),
        ("Wes O'Kellan III", "p02", "normalised"),
        ("Jean Luc Brandemere", "p03", "normalised"),
        ("JeanLuc Brandemere", "p03", "normalised"),
        ("JL Brandemere", "p03", "exact"),
        ("brandemere, lucky", "p03", "normalised"),
        ("J. Tarrowvane", "p01", "initials"),
        ("Tarrowvane J", "p01", "initials"),
        ("Tarrowvane, J.", "p01", "initials"),
        ("J. Brandemere", "p03", "initials"),
        ("Soren Lukowicz", "p08", "normalised"),
        ("S. Wendrow", None, "proposed"),
        ("Jose Tarowvane", None, "proposed"),
        ("Tarrowvane", None, "proposed"),
        ("Nobody Atall", None, "none"),
        ("???", None, "none"),
    ],
)
def test_a_label_is_resolved_to_the_player_of_that_name(label: str, player: str | None, how: str) -> None:
    found = one(label)
    assert (found["player_id"], found["how"]) == (player, how)
    assert found["needs_person"] == (player is None)


@pytest.mark.parametrize("form", ["NFC", "NFD", "NFKC", "NFKD"])
def test_the_four_unicode_normalization_forms_are_one_name(form: str) -> None:
    # its examples of canonical and compatibility composites: Å, d with two dots, the ligature fi, long s with two dots (from memory: figures 4 to 6)
    for text in ("\u00c5sgrove", "\u1e0b\u0323arl", "\ufb01nn", "\u1e9b\u0323am"):
        assert person_key(unicodedata.normalize(form, text)) == person_key(text)  # type: ignore[arg-type]
    assert person_key("\u212bsgrove") == "asgrove" and person_key("\ufb01nn") == "finn"


def test_another_script_is_not_transliterated() -> None:
    # the limit that the docstring states: the roster needs the other spelling in other_names
    assert person_key("Дмитрий Орлов") != person_key("Dmitri Orlov")
    assert person_key("Müller") != person_key("Mueller")


@given(st.text(max_size=40))
def test_case_and_spacing_do_not_change_the_key_of_a_name(text: str) -> None:
    assert person_key(f"  {text}  ") == person_key(text)
    assert person_key(text.upper().lower()) == person_key(text.lower())


@given(st.text(max_size=250))
def test_any_text_can_be_a_label(text: str) -> None:
    found = one(text)
    assert found["how"] in ("none", "proposed", "exact", "normalised", "initials")


def test_names_are_parsed_as_people_write_them() -> None:
    assert parse_name("Ramolde Jr., José Luis").words == ("jose", "luis", "ramolde")
    assert parse_name("Ramolde, José, III").suffix == "iii"
    assert short_form(parse_name("Ramolde J.")) == "j ramolde"
    assert short_form(parse_name("Jo Ramolde")) is None
    assert same_name_keys(parse_name("Ann-Lee Fox")) & same_name_keys(parse_name("Annlee Fox"))
    assert natural_order("Ramolde, José") == "José Ramolde"
    assert natural_order("José Ramolde, Jr.") == "José Ramolde Jr."


def test_similarity_is_the_normalized_indel_similarity() -> None:
    # by hand: "ab" to "ac" takes one deletion and one insertion out of four letters; 100 * (1 - 2 / 4)
    (like,) = similar_names(parse_name("ab"), [parse_name("ac")], 10)
    assert like.score == pytest.approx(50)


# ---- numbers in names ----------------------------------------------------------------------------------------------------------------------


def players_of(*labels: str, decided: dict[str, str | None] | None = None, **more: object) -> list[str | None]:
    rows = sightings(*({"pitcher_label": label} | more for label in labels))
    return ids(name_players(rows, roster(), decisions(*([decided] if decided else []))))


@pytest.mark.parametrize(
    "labels",
    [("RHP 12", "RHP 34"), ("Visitor #7", "Visitor #21"), ("7 Away Arm", "8 Away Arm"), ("J. Sorvo 3", "J. Sorvo 5")],
)
def test_labels_that_differ_in_their_number_are_two_players(labels: tuple[str, str]) -> None:
    one, other = players_of(*labels, occasion="game")
    assert one and other and one != other
    # and each is the same player wherever the number is written
    moved = [" ".join(sorted(label.split(), key=lambda word: word.strip("#").isdigit())) for label in labels]
    moved += [" ".join(sorted(label.split(), key=lambda word: not word.strip("#").isdigit())) for label in labels]
    assert players_of(*moved, occasion="game") == [one, other, one, other]


@pytest.mark.parametrize("kind", ["label_is", "label_is_not"])
@pytest.mark.parametrize(("label", "other"), [("RHP 12", "RHP 34"), ("Visitor #7", "Visitor #21"), ("12", "34")])
def test_a_decision_on_one_number_never_moves_another(kind: str, label: str, other: str) -> None:
    before = players_of(other, "RHP")
    decided = {"kind": kind, "subject": label, "object": "p02" if kind == "label_is" else None}
    (moved, *rest) = players_of(label, other, "RHP", decided=decided)
    assert moved is not None and rest == before


def test_a_number_beside_a_unique_full_name_tells_nobody_apart() -> None:
    assert players_of("#27 José Tarrowvane", "Tarrowvane, José", "Tarrowvane, José (27)") == ["p01"] * 3
    by_name = {"kind": "label_is", "subject": "Jose Tarowvane", "object": "p01"}
    assert players_of("Jose Tarowvane 27", decided=by_name) == ["p01"]


def test_one_name_with_two_numbers_needs_a_person() -> None:
    assert players_of("12 José Tarrowvane", "34 José Tarrowvane") == [None, None]
    # another tracker's or team's number says nothing about this one
    rows = sightings({"pitcher_label": "12 José Tarrowvane"}, {"pitcher_label": "34 José Tarrowvane", "tracker": "pen"})
    assert ids(name_players(rows, roster(), decisions())) == ["p01", "p01"]


def test_a_roster_name_with_a_number_is_that_label_only() -> None:
    arms = roster(
        {"player_id": "a", "name": "RHP 12"}, {"player_id": "b", "name": "Abel Sorvo", "other_names": "RHP 34"}
    )
    named = name_players(sightings({"pitcher_label": "rhp #12"}, {"pitcher_label": "34 RHP"}), arms, decisions())
    assert ids(named) == ["a", "b"]


# ---- priorities ---------------------------------------------------------------------------------------------------------------------------


def test_a_decision_beats_the_tracker_id_and_the_name() -> None:
    said = {"kind": "label_is", "subject": "Silas Wendrow", "object": "p02"}
    assert one("Silas Wendrow", said, pitcher_native_id="41")["player_id"] == "p02"


def test_a_decision_for_one_tracker_applies_only_to_it() -> None:
    said = {"kind": "label_is", "tracker": "pen", "subject": "Pop", "object": "p02"}
    named = name_players(
        sightings({"pitcher_label": "Pop", "tracker": "pen"}, {"pitcher_label": "Pop"}), roster(), decisions(said)
    )
    assert ids(named) == ["p02", None]


def test_a_decision_about_a_name_applies_to_every_spelling() -> None:
    said = {"kind": "label_is", "subject": "Tarowvane, Jose", "object": "p01"}
    assert one("Jose Tarowvane", said) | {"rows": 1} == one("Jose Tarowvane", said)
    assert one("Jose Tarowvane", said)["how"] == "decision"


def test_a_decision_that_excludes_a_player_leaves_the_others() -> None:
    not_silas = {"kind": "label_is_not", "subject": "S. Wendrow", "object": "p04"}
    assert one("S. Wendrow", not_silas)["player_id"] == "p05"


def test_a_label_decided_to_be_off_the_roster_is_provisional() -> None:
    guest = {"kind": "label_is_not", "subject": "Jose Tarowvane", "object": None}
    found = one("Jose Tarowvane", guest)
    assert (found["how"], found["needs_person"]) == ("provisional", False)


def test_a_tracker_id_beats_the_name_and_a_difference_needs_a_person() -> None:
    assert one("anything", pitcher_native_id="41") == one("anything", pitcher_native_id="41") | {
        "player_id": "p01",
        "how": "tracker_id",
        "needs_person": False,
    }
    handed_on = one("Simon Wendrow", pitcher_native_id="41")
    assert (handed_on["player_id"], handed_on["proposal"], handed_on["needs_person"]) == ("p01", "p05", True)


def test_a_tracker_id_missing_from_the_roster_changes_nothing() -> None:
    assert one("José Tarrowvane", pitcher_native_id="99")["player_id"] == "p01"
    assert one(None, pitcher_native_id="99")["needs_person"]


def test_the_id_of_another_tracker_is_ignored() -> None:
    assert one("Nobody Atall", pitcher_native_id="7")["player_id"] is None


def test_two_players_with_one_name_differ_by_hand_or_need_a_person() -> None:
    assert one("Cal Morrowby", pitcher_hand="left")["player_id"] == "p06"
    assert one("Morrowby, Cal", pitcher_hand="right")["player_id"] == "p07"
    open_case = one("Cal Morrowby")
    assert (open_case["player_id"], open_case["proposal"], open_case["needs_person"]) == (None, "p06 or p07", True)


def test_another_hand_does_not_change_a_unique_name() -> None:
    named = name_players(sightings({"pitcher_label": "José Tarrowvane", "pitcher_hand": "left"}), roster(), decisions())
    assert ids(named) == ["p01"] and named.sightings["pitcher_hand"].to_list() == ["left"]


def test_the_roster_hand_fills_in_where_the_export_has_none() -> None:
    named = name_players(
        sightings({"pitcher_label": "Wes O'Kellan"}, {"pitcher_label": "Soren Lukowicz"}), roster(), decisions()
    )
    assert named.sightings["pitcher_hand"].to_list() == ["left", None]


def test_a_decision_on_who_threw_beats_the_label_and_its_hand() -> None:
    rows = sightings(
        {"sighting_id": "s1", "pitcher_label": "Abel Sorvo", "pitcher_hand": "right"},
        {"sighting_id": "s2", "pitcher_label": None},
        {"sighting_id": "s3", "pitcher_label": "Wes O'Kellan"},
    )
    lefty = name_players(rows, roster(), decisions()).sightings["pitcher_id"].to_list()[2]
    said = [{"kind": "thrown_by", "subject": sighting, "object": lefty} for sighting in ("s1", "s2", "s9")]
    named = name_players(rows, roster(), decisions(*said)).sightings
    assert named.select("pitcher_id", "pitcher_by", "pitcher_hand").rows() == [
        *((lefty, by, "left") for by in ("person", "person", "label")),
    ]
    assert named["pitcher_label"].to_list() == rows["pitcher_label"].to_list()


def test_a_decision_may_name_an_opponent_whom_a_label_names() -> None:
    rows = sightings(
        *game({"sighting_id": "s1"} | THEIRS[0] | {"pitcher_hand": "right"}),
        *game({"sighting_id": "s2"} | THEIRS[1] | {"pitcher_hand": "left"}),
        *game({"sighting_id": "s3"} | THEIRS[1]),
        *game(*OURS),
    )
    abel, nico = "x-quillmere-abel-sorvo", "x-quillmere-nico-drunor"
    said = [
        {"kind": "thrown_by", "subject": sighting, "object": player}
        for sighting, player in (("s1", nico), ("s2", "x-quillmere-nobody"))
    ]
    named = name_players(rows, roster(), decisions(*said)).sightings.head(3)
    assert named.select("pitcher_id", "pitcher_by", "pitcher_hand").rows() == [
        (nico, "person", "left"),
        (nico, "label", "left"),
        # a decision about another pitch of his does not fill in what an export leaves open
        (nico, "label", None),
    ]
    assert abel not in named["pitcher_id"].to_list()


def test_brothers_are_not_confused() -> None:
    men = roster({"player_id": "a", "name": "Marco Ramolde"}, {"player_id": "b", "name": "Wes Jr. Fairborne"})
    named = name_players(sightings({"pitcher_label": "Marcus Ramolde"}), men, decisions())
    assert ids(named) == [None]


def test_a_son_and_a_father_are_two_players() -> None:
    men = roster({"player_id": "sr", "name": "Ed Fairborne Sr."}, {"player_id": "jr", "name": "Ed Fairborne Jr."})
    named = name_players(
        sightings({"pitcher_label": "Fairborne, Ed Jr."}, {"pitcher_label": "Ed Fairborne"}), men, decisions()
    )
    assert ids(named) == ["jr", None]


# ---- the other side ------------------------------------------------------------------------------------------------------------------------


def game(*rows: dict[str, object]) -> list[dict[str, object]]:
    return [{"occasion": "game"} | row for row in rows]


OURS = [
    {"pitcher_label": name, "team_label": "Herons"} for name in ("José Tarrowvane", "Silas Wendrow", "Wes O'Kellan")
]
THEIRS = [{"pitcher_label": name, "team_label": "Quillmere"} for name in ("Abel Sorvo", "Nico Drunor", "Tavi Glim")]


def test_pitchers_of_the_other_side_are_provisional_without_a_decision() -> None:
    named = name_players(sightings(*game(*OURS, *THEIRS)), roster(), decisions())
    assert ids(named)[3:] == ["x-quillmere-abel-sorvo", "x-quillmere-nico-drunor", "x-quillmere-tavi-glim"]
    assert not named.name_matches["needs_person"].any()
    abel = named.players.row(by_predicate=pl.col("player_id") == "x-quillmere-abel-sorvo", named=True)
    assert abel == abel | {"name": "Abel Sorvo", "team": "Quillmere", "on_roster": False, "provisional": True}


def test_an_opponent_has_one_id_for_all_trackers_and_spellings() -> None:
    rows = game(
        *OURS,
        *THEIRS,
        {"tracker": "camera", "pitcher_label": "Sorvo, Abel"},
        {"tracker": "camera", "pitcher_label": "A. Sorvo"},
        {"tracker": "cloud", "pitcher_label": "abel sorvo", "team_label": "QUI"},
        {"tracker": "ball", "pitcher_label": "abel sorvo", "occasion": None},
    )
    named = name_players(sightings(*rows), roster(), decisions())
    found = [player for player in ids(named) if player and "sorvo" in player]
    assert set(found) - {"x-opponent-a-sorvo"} == {"x-quillmere-abel-sorvo"} and len(found) == 5


def test_an_opponent_with_a_name_like_ours_needs_a_decision() -> None:
    double = {"pitcher_label": "Jose Tarrowvale", "team_label": "Quillmere"}
    same = {"pitcher_label": "Silas Wendrow", "team_label": "Quillmere"}
    named = name_players(sightings(*game(*OURS, *THEIRS, double, same)), roster(), decisions())
    assert ids(named)[-2:] == ["x-quillmere-jose-tarrowvale", "x-quillmere-silas-wendrow"]
    asked = named.name_matches.filter("needs_person")
    assert asked["proposal"].to_list() == ["p01", "p04"]


def test_an_unknown_name_without_team_is_an_opponent_only_in_a_game() -> None:
    assert one("Abel Sorvo", occasion="game") == one("Abel Sorvo", occasion="game") | {
        "player_id": "x-opponent-abel-sorvo",
        "needs_person": False,
    }
    assert one("Abel Sorvo")["needs_person"] and one("Abel Sorvo", occasion="scrimmage")["needs_person"]


def test_a_name_like_ours_without_a_team_is_only_proposed() -> None:
    found = one("Jose Tarrowvale", occasion="game")
    assert (found["player_id"], found["how"], found["proposal"]) == (None, "proposed", "p01")


def test_the_labels_home_and_away_are_judged_by_day() -> None:
    def day(date: str, ours: str, theirs: str) -> list[dict[str, object]]:
        return [
            row | {"baseball_day": date, "team_label": ours if row["team_label"] == "Herons" else theirs}
            for row in game(*OURS, *THEIRS)
        ]

    named = name_players(
        sightings(*day("2026-10-12", "home", "away"), *day("2026-10-13", "away", "home")), roster(), decisions()
    )
    assert ids(named)[:3] == ids(named)[6:9] == ["p01", "p04", "p02"]
    assert all(player and player.startswith("x-") for player in ids(named)[3:6] + ids(named)[9:])


def test_two_of_our_own_squads_are_both_ours() -> None:
    blue = [
        {"pitcher_label": "José Tarrowvane", "team_label": "Blue"},
        {"pitcher_label": "Silas Wendrow", "team_label": "White"},
    ]
    named = name_players(sightings(*game(*blue)), roster(), decisions())
    assert ids(named) == ["p01", "p04"]


def test_batters_are_identified_and_bat_for_the_other_side() -> None:
    rows = game(
        *(row | {"batter_label": "Dov Holv"} for row in OURS),
        *(row | {"batter_label": "Simon Wendrow"} for row in THEIRS),
    )
    named = name_players(sightings(*rows), roster(), decisions())
    assert named.sightings["batter_id"].to_list() == ["x-quillmere-dov-holv"] * 3 + ["p05"] * 3


# ---- the complete stage---------------------------------------------------------------------------------------------------------------------


def test_rows_keep_their_order_columns_and_number() -> None:
    rows = sightings(*game(*OURS, *THEIRS), {"pitcher_label": None})
    named = name_players(rows, roster(), decisions())
    assert named.sightings.drop("pitcher_id", "pitcher_by", "batter_id", "pitcher_hand").equals(
        rows.drop("pitcher_hand")
    )
    assert ids(named)[-1] is None and named.name_matches["rows"].sum() == rows.height - 1


def test_the_order_of_rows_changes_no_verdict() -> None:
    rows = sightings(*game(*OURS, *THEIRS, *({"tracker": "camera", "pitcher_label": f"{c}. Sorvo"} for c in "AB")))
    named = name_players(rows, roster(), decisions())
    again = name_players(rows.reverse(), roster().reverse(), decisions())
    assert named.players.equals(again.players) and named.name_matches.equals(again.name_matches)
    assert named.sightings.equals(again.sightings.reverse())


def test_both_tables_match_their_contracts() -> None:
    named = name_players(sightings(*game(*OURS, *THEIRS), {"pitcher_label": "?"}), roster(), decisions())
    assert failures_of(named.players, PLAYERS) == [] and failures_of(named.name_matches, NAME_MATCHES) == []


def test_an_empty_roster_or_no_rows_is_not_an_error() -> None:
    empty = name_players(sightings().head(0), roster().head(0), decisions())
    assert empty.sightings.height == empty.players.height == empty.name_matches.height == 0
    assert one("José Tarrowvane")["how"] == "exact"
    assert name_players(sightings({"pitcher_label": "Abel Sorvo"}), roster().head(0), decisions()).name_matches[
        "needs_person"
    ].to_list() == [True]
