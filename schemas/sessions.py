"""Sessions and outings: who worked where and when."""

import polars as pl

from schemas.contract import UTC_TIME, Column, Contract, count, required
from schemas.metrics import OCCASIONS

SESSIONS = Contract(
    "sessions",
    "one game, scrimmage, bullpen or live batting practice at a station on a baseball day",
    ("session_id",),
    (
        required("session_id", pl.String, "baseball day, venue, station, occasion and number"),
        required("venue", pl.String, "the ball park or practice ground"),
        Column("station", pl.String, "the mound; null where not known"),
        Column("occasion", pl.String, "kind of session", "", True, OCCASIONS),
        required("baseball_day", pl.Date, "local date at the venue; a day turns over at 04:00"),
        required("season", pl.Int32, "calendar year of the baseball day", "year"),
        Column(
            "first_thrown_at", UTC_TIME, "time of the first pitch; null where no tracker wrote a time of day", "UTC"
        ),
        Column("last_thrown_at", UTC_TIME, "time of the last pitch", "UTC"),
        count("pitches", "pitches", "pitches"),
        count("pitchers", "pitchers", "pitchers"),
        required("trackers", pl.String, "trackers that saw it, best rank first, with commas"),
    ),
    order=("baseball_day",),
)

OUTINGS = Contract(
    "outings",
    "one pitcher's work in one session",
    ("outing_id",),
    (
        required("outing_id", pl.String, "the session and the pitcher"),
        required("session_id", pl.String, "the session (table sessions)"),
        required("baseball_day", pl.Date, "local date at the venue; a day turns over at 04:00"),
        Column("pitcher_id", pl.String, "the pitcher (table players); null while his label is not settled"),
        Column("pitcher_label", pl.String, "the pitcher as the tracker names him"),
        Column("on_roster", pl.Boolean, "whether the roster names him"),
        count("pitches", "pitches", "pitches"),
        Column("innings", pl.UInt32, "innings he pitched in; null where the exports have none", "innings"),
        Column("first_pitch_number", pl.UInt32, "place of his first pitch in the session", "pitches"),
        Column("last_pitch_number", pl.UInt32, "place of his last pitch in the session", "pitches"),
        Column("first_thrown_at", UTC_TIME, "time of his first pitch", "UTC"),
        Column("last_thrown_at", UTC_TIME, "time of his last pitch", "UTC"),
    ),
    order=("baseball_day", "session_id"),
)
