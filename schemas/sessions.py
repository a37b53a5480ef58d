"""Sessions and outings: who pitched, where and when."""

import polars as pl

from schemas.contract import UTC_TIME, Column, Contract, baseball_day, count, required
from schemas.metrics import OCCASIONS

SESSIONS = Contract(
    "sessions",
    "one game, scrimmage, bullpen or live batting practice at a station on a baseball day",
    ("session_id",),
    (
        required("session_id", pl.String, "baseball day, venue, station, occasion and a number"),
        required("venue", pl.String, "id of the ball park or practice ground"),
        Column("station", pl.String, "id of the mound; null if unknown"),
        Column(
            "occasion", pl.String, "game, scrimmage, bullpen or live_bp (live batting practice)", "", True, OCCASIONS
        ),
        baseball_day(),
        required("season", pl.Int32, "calendar year of the baseball day", "year"),
        Column("first_thrown_at", UTC_TIME, "time of the first pitch; null if no tracker wrote a time of day", "UTC"),
        Column("last_thrown_at", UTC_TIME, "time of the last pitch", "UTC"),
        count("pitches", "number of pitches", "pitches"),
        count("pitchers", "number of pitchers", "pitchers"),
        required("trackers", pl.String, "ids of the trackers that saw it, best rank first, separated by commas"),
    ),
    order=("baseball_day",),
)

OUTINGS = Contract(
    "outings",
    "one pitcher's work in one session",
    ("outing_id",),
    (
        required("outing_id", pl.String, "session id and pitcher"),
        required("session_id", pl.String, "the session (table sessions)"),
        baseball_day(),
        Column("pitcher_id", pl.String, "the pitcher (table players); null while his label is undecided"),
        Column("pitcher_label", pl.String, "the pitcher as the tracker names him"),
        Column("on_roster", pl.Boolean, "whether he is on the roster"),
        count("pitches", "number of pitches", "pitches"),
        Column(
            "innings",
            pl.UInt32,
            "number of innings in which he pitched; null if the exports have none",
            "innings",
        ),
        Column("first_pitch_number", pl.UInt32, "pitch_number of his first pitch in the session", "pitches"),
        Column("last_pitch_number", pl.UInt32, "pitch_number of his last pitch in the session", "pitches"),
        Column("first_thrown_at", UTC_TIME, "time of his first pitch", "UTC"),
        Column("last_thrown_at", UTC_TIME, "time of his last pitch", "UTC"),
    ),
    order=("baseball_day", "session_id"),
)
