"""The players, and how the trackers' labels were led to them."""

import polars as pl

from schemas.contract import Column, Contract, required
from schemas.metrics import HANDS

PLAYERS = Contract(
    "players",
    "one player, of the roster or provisional (a label of another team)",
    ("player_id",),
    (
        required("player_id", pl.String, "the roster's id; x-team-label for a provisional player"),
        Column("name", pl.String, "name"),
        Column("hand", pl.String, "throwing hand", "", True, (*HANDS, "both")),
        Column("team", pl.String, "team"),
        required("on_roster", pl.Boolean, "whether the roster names him"),
        required("provisional", pl.Boolean, "made from a label because the roster does not name him"),
    ),
)

NAME_MATCHES = Contract(
    "name_matches",
    "one label of one tracker and the player it was taken for",
    (),
    (
        required("tracker", pl.String, "the tracker"),
        Column("label", pl.String, "the name as the tracker writes it"),
        Column("native_id", pl.String, "the tracker's own id of the player"),
        Column("player_id", pl.String, "the player; null while not settled"),
        required(
            "how",
            pl.String,
            "what settled it; proposed and none settle nothing",
            "",
            ("decision", "tracker_id", "exact", "normalised", "initials", "provisional", "proposed", "none"),
        ),
        Column("score", pl.Float64, "likeness to the proposed name, 0 to 100"),
        Column("proposal", pl.String, "the player proposed for a person to confirm"),
        Column("rows", pl.UInt32, "sightings with this label", "rows"),
        required("needs_person", pl.Boolean, "whether a person should decide (decisions.csv)"),
    ),
    order=("tracker", "label", "native_id"),
)
