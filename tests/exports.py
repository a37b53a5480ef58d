"""Small invented exports, and what it takes to map one."""

from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

import polars as pl

from pipeline.exports.inbox import ExportFile
from pipeline.exports.mapping.rows import Mapped, map_export
from pipeline.exports.readers import RawExport, read_export
from pipeline.settings.ledger import TrackerSettings
from pipeline.settings.profile import Profile, load_profile

# the smallest profile; tests put their own tables behind it
SPEED = """
[metric.release_speed_mph]
column = "pace"
unit = "mph"
at = "release"
"""


def profile_of(folder: Path, file: str = 'format = "csv"', rest: str = "", time: str | None = None) -> Profile:
    """Write and load a profile: the lines of [file], of [time], and further tables."""
    if time is None:
        time = 'column = "when"\nformats = ["%Y-%m-%d %H:%M:%S"]\nzone = "venue"'
    path = folder / "profiles" / "own.toml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(f'describes = "invented"\n[file]\n{file}\n[time]\n{time}\n{rest or SPEED}', encoding="utf-8")
    return load_profile(path)


def tracker_of(profile: Profile, stations: tuple[str, ...] = ("field",)) -> TrackerSettings:
    occasions = {"field": "game", "pen_north": "bullpen", "pen_south": "bullpen"}
    return TrackerSettings(
        "own", "Own", "own", Path("inbox/own"), "park", "America/Chicago", stations, occasions, 1, profile
    )


def export(folder: Path, data: str | bytes, name: str = "a.csv") -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return path


def as_file(path: Path, name: str | None = None) -> ExportFile:
    data = path.read_bytes()
    digest = sha256(data).hexdigest()
    return ExportFile(
        "own", path, name or path.name, digest[:16], digest, len(data), datetime(2026, 10, 20, tzinfo=UTC)
    )


def mapped(path: Path, profile: Profile, stations: tuple[str, ...] = ("field",), name: str | None = None) -> Mapped:
    """Read and map; law 1 is checked on the way, always."""
    raw = read_export(path, profile)
    found = map_export(raw, tracker_of(profile, stations), as_file(path, name))
    check_law_1(raw, found)
    return found


def check_law_1(raw: RawExport, found: Mapped) -> None:
    refused = found.quarantine.filter(pl.col("level") == "row").get_column("file_row")
    aside, kept = found.set_aside.get_column("file_row"), found.sightings.get_column("file_row")
    assert raw.rows_read == kept.len() + aside.len() + refused.n_unique()
    # and no row has two fates
    everywhere = pl.concat([kept, aside, refused.unique().cast(pl.UInt32)])
    assert everywhere.n_unique() == everywhere.len()
