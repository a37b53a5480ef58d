"""Count a sighting that several exports hold once, from the newest; set the other rows aside.

As a rule its id identifies it, where the newer row resembles the older one (`evenings`). An export copied under another name may give its
rows other ids: then the readings identify it (`copies`), so that no throw counts twice.
"""

import re
from collections.abc import Collection, Iterable
from typing import NamedTuple

import polars as pl

from pipeline.exports.copies import find_copies
from pipeline.exports.evenings import compare, former_ids, key_collisions, separate_evenings
from pipeline.exports.inbox import ExportFile

CORRECTED = "a newer export has corrected this row"
# one throw under two days
MOVED = "a newer export has the same row on another day"
# a row that one of its corrections does not resemble: other rows of the two exports do
REPLACED = "a newer export has replaced this row by one with other readings"
# one throw under two ids
COPIED = "another export has the same readings in the same order under another id"
_PLACE = ("file_id", "file_row", "file_order", "sighting_id", "key_id", "newness", "file_name", "evening")


class Deduplicated(NamedTuple):
    """`sightings`: each once. `set_aside`: the duplicates, kind repeat (same content) or superseded (a newer export differs).

    `key_collisions`: that table. `same_keys`: baseball_day and other_day where rows of two days have the same key: they must be processed
    together. `new_ids`: baseball_day and key_id of rows with an id that their key alone did not give; `former_ids`: ids under which
    an earlier run may have published sightings (`evenings.former_ids`).
    """

    sightings: pl.DataFrame
    set_aside: pl.DataFrame
    key_collisions: pl.DataFrame
    same_keys: pl.DataFrame
    new_ids: pl.DataFrame
    former_ids: pl.DataFrame


def natural_key(file_name: str) -> tuple[tuple[int, int | str], ...]:
    """Return a sort key in which `game_2` comes before `game_10`, and `game` before `game_2`. The file extension is ignored."""
    stem = file_name.rsplit(".", 1)[0].casefold()
    parts = re.findall(r"\d+|\D+", stem)
    return tuple((0, int(part)) if part.isdecimal() else (1, part) for part in parts)


def order_exports(exports: Iterable[ExportFile]) -> list[ExportFile]:
    """Sort exports by name, oldest first, as `newest_by = "file_name"` means. Equal names fall back on the content's hash."""
    return sorted(exports, key=lambda file: (natural_key(file.file_name), file.file_name, file.sha256))


def remove_duplicates(sightings: pl.DataFrame, file_order: pl.DataFrame) -> Deduplicated:
    """Keep each sighting once, as the newest export has it.

    `file_order`: file_id, newness (sortable, greater is newer; nulls are oldest), file_name. Mapping has already removed repeats within
    one file.
    """
    ordered = sightings.join(file_order, on="file_id", how="left").with_columns(pl.col("newness").fill_null(-1))
    rows, names, limits = separate_evenings(ordered)
    ranked = rows.sort("sighting_id", "newness", "file_id", "file_row", descending=[False, True, True, True])
    newest = pl.col("sighting_id").is_first_distinct()
    once = ranked.filter(newest)
    rest = ranked.filter(~newest)
    copies = find_copies(once)
    kept = once.join(copies, on="sighting_id", how="anti", maintain_order="left")
    aside = pl.concat([_set_aside(rest, once, limits), _copies_aside(copies, once)])
    new_ids = rows.filter(pl.col("sighting_id") != pl.col("key_id")).select("baseball_day", "key_id").unique()
    return Deduplicated(
        kept.select(sightings.columns),
        aside,
        key_collisions(kept),
        _same_keys(rows),
        new_ids.sort("baseball_day", "key_id"),
        former_ids(kept, names),
    )


def _same_keys(rows: pl.DataFrame) -> pl.DataFrame:
    days = rows.filter(pl.col("baseball_day").n_unique().over("key_id") > 1).select("key_id", "baseball_day").unique()
    pairs = days.join(days.rename({"baseball_day": "other_day"}), on="key_id")
    apart = pairs.filter(pl.col("baseball_day") != pl.col("other_day")).select("baseball_day", "other_day")
    return apart.unique().sort("baseball_day", "other_day")


def _set_aside(rest: pl.DataFrame, once: pl.DataFrame, limits: pl.DataFrame) -> pl.DataFrame:
    rows = compare(
        _beside_kept(rest.with_columns(kept_sighting_id="sighting_id"), once, _PLACE).join(
            limits, on=["tracker", "baseball_day"], how="left"
        )
    )
    why = (
        pl.when("same")
        .then(pl.lit("another export has the same row"))
        .when(pl.col("baseball_day") != pl.col("baseball_day_other"))
        .then(pl.lit(MOVED))
        .when(pl.col("resembles"))
        .then(pl.lit(CORRECTED))
        .otherwise(pl.lit(REPLACED))
    )
    return _aside(rows, why)


def _copies_aside(copies: pl.DataFrame, once: pl.DataFrame) -> pl.DataFrame:
    copied = once.join(copies, on="sighting_id", maintain_order="left")
    return _aside(_beside_kept(copied, once, (*_PLACE, "native_session", "sequence")), pl.lit(COPIED))


def _beside_kept(rows: pl.DataFrame, once: pl.DataFrame, place: Collection[str]) -> pl.DataFrame:
    """Add the columns of the row `kept_sighting_id` with _other, and `same`: whether all columns but `place` are equal."""
    content = [name for name in once.columns if name not in place]
    kept = once.select(
        pl.col("sighting_id").alias("kept_sighting_id"), *(pl.col(name).alias(f"{name}_other") for name in content)
    )
    same = pl.all_horizontal(pl.col(name).eq_missing(pl.col(f"{name}_other")) for name in content)
    return rows.join(kept, on="kept_sighting_id", how="left").with_columns(same=same)


def _aside(compared: pl.DataFrame, why: pl.Expr) -> pl.DataFrame:
    """Return rows of table set_aside: a repeat where the content is the same as that of the kept row, else superseded."""
    return compared.select(
        pl.when("same").then(pl.lit("repeat")).otherwise(pl.lit("superseded")).alias("kind"),
        pl.lit("night").alias("stage"),
        "tracker",
        "baseball_day",
        "file_id",
        "file_row",
        "sighting_id",
        "kept_sighting_id",
        why.alias("why"),
        "thrown_at",
        "pitcher_label",
        "release_speed_mph",
        "spin_rate_rpm",
    )
