"""The same sighting in several exports is taken once, from the newest; the other rows are set aside as repeats.

As a rule its id tells. An export copied under another name may give its rows other ids (`session = "@file"`, a session that was renamed):
there the readings tell, value by value, so that no arm's throw counts twice.
"""

import re
from collections.abc import Collection, Iterable
from datetime import date
from typing import NamedTuple

import polars as pl

from pipeline.exports.inbox import ExportFile
from schemas.metrics import METRICS, TRAJECTORY

# two throws under one id: one of them is lost, which a person must know
STARTS_ANEW = "a row of another day has the same id: does the tracker's native_id start anew?"
# one throw under two ids
COPIED = "another export has the same readings in the same order under another id"
# Equal values, in a row and in all rows of a pair of exports, that can't be chance; a stamp to the second is worth two of them. Common
# practice, no source: with a radar that gives whole miles and nothing else, rows of two evenings are often alike.
_FEWEST_IN_ROW, _FEWEST_IN_ALL, _STAMP_WORTH, _FINE_S = 3, 9, 2, 1.0
# a copy that was cut off is alike as far as it goes; some rows of it may have been corrected since
_SHARE_ALIKE, _SHARE_IN_ORDER = 0.5, 0.9
_READ = ("native_id", "thrown_at", *METRICS, *TRAJECTORY)
_CORRECTED = ("pitcher_label", "pitcher_native_id", "batter_label", "batter_native_id", "pitch_type", "station")


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
    once = ranked.filter(newest)
    rest = ranked.filter(~newest)
    copies = _copies(once)
    kept = once.join(copies, on="sighting_id", how="anti", maintain_order="left")
    aside = pl.concat([_set_aside(rest, once), _copies_aside(copies, once)])
    return Once(kept.select(sightings.columns), aside, _same_ids(rest, once))


def _same_ids(rest: pl.DataFrame, once: pl.DataFrame) -> pl.DataFrame:
    days = rest.select("sighting_id", "baseball_day").join(
        once.select("sighting_id", other_day="baseball_day"), on="sighting_id"
    )
    apart = days.filter(pl.col("baseball_day") != pl.col("other_day")).select("baseball_day", "other_day")
    return apart.unique().sort("baseball_day", "other_day")


def _set_aside(rest: pl.DataFrame, once: pl.DataFrame) -> pl.DataFrame:
    why = (
        pl.when("same")
        .then(pl.lit("the same row stands in another export"))
        .when(pl.col("baseball_day") != pl.col("baseball_day_kept"))
        .then(pl.lit(STARTS_ANEW))
        .otherwise(pl.lit("a newer export has corrected this row"))
    )
    return _aside(rest.with_columns(of_sighting_id="sighting_id"), once, why, _PLACE)


def _copies_aside(copies: pl.DataFrame, once: pl.DataFrame) -> pl.DataFrame:
    copied = once.join(copies, on="sighting_id", maintain_order="left")
    return _aside(copied, once, pl.lit(COPIED), (*_PLACE, "native_session", "sequence"))


_PLACE = ("file_id", "file_row", "file_order", "sighting_id", "newness")


def _aside(rows: pl.DataFrame, once: pl.DataFrame, why: pl.Expr, place: Collection[str]) -> pl.DataFrame:
    """Rows as the table set_aside has them: a repeat where all but `place` is as in the row of `of_sighting_id`, else superseded."""
    content = [name for name in once.columns if name not in place]
    kept = once.select(
        pl.col("sighting_id").alias("of_sighting_id"), *(pl.col(name).alias(f"{name}_kept") for name in content)
    )
    same = pl.all_horizontal(pl.col(name).eq_missing(pl.col(f"{name}_kept")) for name in content)
    told = rows.join(kept, on="of_sighting_id", how="left").with_columns(same=same)
    return told.select(
        pl.when("same").then(pl.lit("repeat")).otherwise(pl.lit("superseded")).alias("kind"),
        pl.lit("night").alias("found_in"),
        "tracker",
        "baseball_day",
        "file_id",
        "file_row",
        "sighting_id",
        "of_sighting_id",
        why.alias("why"),
        "thrown_at",
        "pitcher_label",
        "release_speed_mph",
        "spin_rate_rpm",
    )


# ---- copies under other ids --------------------------------------------------------------------------------------------------------------


def _copies(once: pl.DataFrame) -> pl.DataFrame:
    """sighting_id, of_sighting_id: rows that stand in another export of the tracker and day under another id.

    Of each throw the row in the export with the most rows stays, so that the order of a session stays in one export; but where the
    readings are the same and the labels are not, somebody has corrected them, and the newest export counts.
    """
    alike = _alike(once)
    pairs = _pairs_of_copies(alike, once.group_by("file_id", "baseball_day").agg(size=pl.len()))
    linked = alike.join(_copied_together(pairs), on=["file_id", "baseball_day"])
    throw = ("origin", "throw")
    corrected = pl.struct(_CORRECTED).n_unique().over(throw).max().over("origin", "baseball_day") > 1
    ranked = linked.with_columns(
        rank=pl.when(corrected).then(0).otherwise("size"), newness=pl.col("newness").fill_null(-1)
    ).sort("rank", "newness", "file_id", descending=True)
    ranked = ranked.with_columns(of_sighting_id=pl.col("sighting_id").first().over(throw))
    return ranked.filter(pl.col("sighting_id") != pl.col("of_sighting_id")).select("sighting_id", "of_sighting_id")


def _alike(once: pl.DataFrame) -> pl.DataFrame:
    """Rows whose readings stand in several exports of a tracker and day; `throw` is the same for those that may be one, `worth` weighs them."""
    night = ("tracker", "baseball_day")
    several = once.filter(pl.col("file_id").n_unique().over(night) > 1)
    fine = pl.col("thrown_at").is_not_null() & (pl.col("clock_resolution_s") <= _FINE_S)
    values = pl.sum_horizontal(pl.col(name).is_not_null() for name in (*METRICS, *TRAJECTORY))
    told = several.with_columns(worth=values + pl.when(fine).then(_STAMP_WORTH).otherwise(0))
    told = told.filter(pl.col("worth") >= _FEWEST_IN_ROW).with_columns(read=pl.struct(_READ).hash())
    told = told.select(*_PLACE, *night, *_CORRECTED, "worth", "read", "release_speed_mph", "spin_rate_rpm")
    told = told.sort("file_order").with_row_index("throw")
    # of several such rows in one export the first is the first of the other's
    key = (*night, "read", "release_speed_mph", "spin_rate_rpm", "nth")
    same = (*key[:-1], "file_id")
    told = told.with_columns(nth=pl.int_range(pl.len()).over(same), alone=pl.len().over(same) == 1)
    return told.filter(pl.len().over(key) > 1).with_columns(throw=pl.col("throw").first().over(key))


def _pairs_of_copies(alike: pl.DataFrame, size: pl.DataFrame) -> pl.DataFrame:
    """baseball_day, file_id, size, other, other_size: exports so alike, row by row and in order, that one was copied from the other."""
    rows = alike.select("baseball_day", "throw", "file_id", "file_order", "worth", "alone")
    others = rows.select("throw", other="file_id", other_order="file_order", other_alone="alone")
    both = rows.join(others, on="throw")
    both = both.filter(pl.col("file_id") < pl.col("other")).sort("file_order")
    # of readings that one export has twice nobody can say which is which
    follows = pl.col("other_order").filter("alone", "other_alone").diff().fill_null(1) > 0
    pairs = both.group_by("baseball_day", "file_id", "other").agg(
        n=pl.len(), worth=pl.col("worth").sum(), in_order=follows.mean()
    )
    other_sizes = size.select("baseball_day", other="file_id", other_size="size")
    pairs = pairs.join(size, on=["baseball_day", "file_id"]).join(other_sizes, on=["baseball_day", "other"])
    smaller = pl.min_horizontal("size", "other_size")
    return pairs.filter(
        pl.col("worth") >= _FEWEST_IN_ALL,
        pl.col("n") >= _SHARE_ALIKE * smaller,
        pl.col("in_order") >= _SHARE_IN_ORDER,
    )


def _copied_together(pairs: pl.DataFrame) -> pl.DataFrame:
    """baseball_day, file_id, size, origin: the exports of these pairs; those that hang together have one origin."""
    origin: dict[tuple[date, str], str] = {}
    sizes: dict[tuple[date, str], int] = {}
    for day, one, size, other, other_size in pairs.select(
        "baseball_day", "file_id", "size", "other", "other_size"
    ).iter_rows():
        sizes |= {(day, one): size, (day, other): other_size}
        first, second = (origin.setdefault((day, name), name) for name in (one, other))
        origin = {key: first if key[0] == day and held == second else held for key, held in origin.items()}
    rows = [(*key, sizes[key], held) for key, held in origin.items()]
    schema = {"baseball_day": pl.Date, "file_id": pl.String, "size": pl.Int64, "origin": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row")
