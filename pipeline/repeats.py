"""The same sighting in several exports is taken once, from the newest; the other rows are set aside as repeats."""

import re
from collections.abc import Iterable
from typing import NamedTuple

import polars as pl

from pipeline.inbox import ExportFile

# two throws under one id: one of them is lost, which a person must know
STARTS_ANEW = "a row of another day has the same id: does the tracker's native_id start anew?"


class Once(NamedTuple):
    """`sightings`: each once. `set_aside`: the rows that repeat one, kind repeat (same content) or superseded (a newer export differs).

    `same_ids`: baseball_day, other_day where a row gave way to one of another day: neither day can be worked through without the other.
    """

    sightings: pl.DataFrame
    set_aside: pl.DataFrame
    same_ids: pl.DataFrame


def natural_key(file_name: str) -> tuple[tuple[int, int | str], ...]:
    """Sort key in which `game_2` comes before `game_10`, and `game` before `game_2`. The ending is left out of the comparison."""
    stem = file_name.rsplit(".", 1)[0].casefold()
    parts = re.findall(r"\d+|\D+", stem)
    return tuple((0, int(part)) if part.isdecimal() else (1, part) for part in parts)


def order_exports(exports: Iterable[ExportFile]) -> list[ExportFile]:
    """Exports by name, oldest first: what a profile with `newest_by = "file_name"` means. Equal names fall back on the content's hash."""
    return sorted(exports, key=lambda file: (natural_key(file.file_name), file.file_name, file.sha256))


def resolve_repeats(sightings: pl.DataFrame, file_order: pl.DataFrame) -> Once:
    """Keep each sighting_id once, as the newest export has it.

    `file_order`: file_id, newness (sortable, greater is newer; nulls are oldest). Rows of one file never repeat each other here: the mapping has seen to that.
    """
    ranked = sightings.join(file_order, on="file_id", how="left").sort(
        "sighting_id", pl.col("newness").fill_null(-1), "file_id", "file_row", descending=[False, True, True, True]
    )
    newest = pl.col("sighting_id").is_first_distinct()
    once = ranked.filter(newest).drop("newness")
    rest = ranked.filter(~newest)
    return Once(once.select(sightings.columns), _set_aside(rest, once), _same_ids(rest, once))


def _same_ids(rest: pl.DataFrame, once: pl.DataFrame) -> pl.DataFrame:
    days = rest.select("sighting_id", "baseball_day").join(
        once.select("sighting_id", other_day="baseball_day"), on="sighting_id"
    )
    apart = days.filter(pl.col("baseball_day") != pl.col("other_day")).select("baseball_day", "other_day")
    return apart.unique().sort("baseball_day", "other_day")


def _set_aside(rest: pl.DataFrame, once: pl.DataFrame) -> pl.DataFrame:
    content = [
        name for name in once.columns if name not in ("file_id", "file_row", "file_order", "sighting_id", "newness")
    ]
    kept = once.select("sighting_id", *(pl.col(name).alias(f"{name}_kept") for name in content))
    same = pl.all_horizontal(pl.col(name).eq_missing(pl.col(f"{name}_kept")) for name in content)
    kind = pl.when(same).then(pl.lit("repeat")).otherwise(pl.lit("superseded"))
    return rest.join(kept, on="sighting_id", how="left").select(
        kind.alias("kind"),
        pl.lit("night").alias("found_in"),
        "tracker",
        "baseball_day",
        "file_id",
        "file_row",
        "sighting_id",
        pl.col("sighting_id").alias("of_sighting_id"),
        pl.when(same)
        .then(pl.lit("the same row stands in another export"))
        .when(pl.col("baseball_day") != pl.col("baseball_day_kept"))
        .then(pl.lit(STARTS_ANEW))
        .otherwise(pl.lit("a newer export has corrected this row"))
        .alias("why"),
        "thrown_at",
        "pitcher_label",
        "release_speed_mph",
        "spin_rate_rpm",
    )
