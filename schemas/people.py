"""Players, and how the trackers' labels were resolved to them."""

import polars as pl

from schemas.contract import Column, Contract, required
from schemas.metrics import HANDS

PLAYERS = Contract(
    "players",
    "one player: on the roster, or provisional (known only from a label, such as an opponent)",
    ("player_id",),
    (
        required("player_id", pl.String, "the roster's id, or x-team-label for a provisional player"),
        Column("name", pl.String, "name"),
        Column("hand", pl.String, "throwing hand", "", True, (*HANDS, "both")),
        Column("team", pl.String, "team"),
        required("on_roster", pl.Boolean, "whether he is on the roster"),
        required("provisional", pl.Boolean, "whether he is known only from a label"),
    ),
)

NAME_MATCHES = Contract(
    "name_matches",
    "one label of one tracker and the player that it was resolved to",
    (),
    (
        required("tracker", pl.String, "the tracker"),
        Column("label", pl.String, "the name as the tracker writes it"),
        Column("native_id", pl.String, "the tracker's own id of the player"),
        Column("player_id", pl.String, "the player; null while undecided"),
        required(
            "how",
            pl.String,
            "how it was resolved; proposed and none are undecided",
            "",
            ("decision", "tracker_id", "exact", "normalised", "initials", "provisional", "proposed", "none"),
        ),
        Column("score", pl.Float64, "similarity to the proposed name, 0 to 100"),
        Column("proposal", pl.String, "the proposed player, for you to confirm"),
        Column("rows", pl.UInt32, "sightings with this label", "rows"),
        required("needs_person", pl.Boolean, "whether it needs your decision (decisions.csv)"),
    ),
    order=("tracker", "label", "native_id"),
)
