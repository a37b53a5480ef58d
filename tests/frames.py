"""Small frames for tests: the smallest table, one column overridden at a time."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import polars as pl

from schemas.tables import TABLES

DAY = date(2026, 10, 3)
FIRST_PITCH = datetime(2026, 10, 3, 18, 0, tzinfo=UTC)
PITCH_COLUMNS = ("pitch_id", "match_probability", "matched_by")


def sightings(*rows: dict[str, Any]) -> pl.DataFrame:
    """Sightings before matching; each row needs sighting_id and what the test is about."""
    contract = TABLES["sightings"]
    usual = {
        "tracker": "radar",
        "file_id": "f1",
        "file_order": 1,
        "venue": "park",
        "station": "field",
        "baseball_day": DAY,
        "occasion": "game",
    }
    full = [dict.fromkeys(contract.names) | usual | {"file_row": number} | row for number, row in enumerate(rows, 1)]
    return pl.DataFrame(full, schema=contract.polars_schema()).drop(PITCH_COLUMNS, strict=False)


def groups(**members: str) -> pl.DataFrame:
    """Which sighting is in which group, sure of it: groups(s1="s1", s2="s1")."""
    return pl.DataFrame(
        [(sighting, group, 0.99, "model") for sighting, group in members.items()],
        schema={
            "sighting_id": pl.String,
            "group_id": pl.String,
            "match_probability": pl.Float64,
            "decided_by": pl.String,
        },
        orient="row",
    )


def calibration(*rows: tuple[str, str, str, float, float]) -> pl.DataFrame:
    """tracker_a, tracker_b, metric, bias, spread."""
    contract = TABLES["calibration"].polars_schema()
    full = [(a, b, DAY, metric, 50, bias, spread, 0.0) for a, b, metric, bias, spread in rows]
    names = ["tracker_a", "tracker_b", "baseball_day", "metric", "n", "bias", "spread", "outlier_share"]
    return pl.DataFrame(full, schema={name: contract[name] for name in names}, orient="row")


def time_after(seconds: float) -> datetime:
    """Return the time so many seconds after the first pitch."""
    return FIRST_PITCH + timedelta(seconds=seconds)
