"""Count a sighting that several exports hold once, from the newest; set the other rows aside.

As a rule its id identifies it. An export copied under another name may give its rows other ids (`session = "@file"`, a renamed session):
then the readings identify it, value by value, so that no throw counts twice.
"""

import re
from collections.abc import Collection, Iterable
from datetime import date
from typing import NamedTuple

import polars as pl

from pipeline.exports.inbox import ExportFile
from schemas.metrics import METRICS, TRAJECTORY

# two throws under one id: one of them is lost, so a person must know
REUSED_ID = "a row of another day has the same id: the tracker may reuse its native ids"
# one throw under two ids
COPIED = "another export has the same readings in the same order under another id"
# The numbers below are common practice, no source: with a radar that writes nothing but whole miles per hour, rows of two evenings are
# often equal by chance.
# equal values in a row that can't be chance
_FEWEST_IN_ROW = 3
# equal values in all rows of a pair of exports that can't be chance
_FEWEST_IN_ALL = 9
# a time counts as this many values, ...
_STAMP_WORTH = 2
# ... if the clock's step is not longer than this
_FINE_S = 1.0
# share of the smaller export that must be equal: a copy may be cut off, and some of its rows corrected since
_SHARE_EQUAL = 0.5
# share of the equal rows that must follow in the same order
_SHARE_IN_ORDER = 0.9
_READ = ("native_id", "thrown_at", *METRICS, *TRAJECTORY)
_CORRECTED = ("pitcher_label", "pitcher_native_id", "batter_label", "batter_native_id", "pitch_type", "station")


class Deduplicated(NamedTuple):
    """`sightings`: each once. `set_aside`: the duplicates, kind repeat (same content) or superseded (a newer export differs).

    `same_ids`: baseball_day and other_day where a row of another day replaced one: the two days must be processed together.
    """

    sightings: pl.DataFrame
    set_aside: pl.DataFrame
    same_ids: pl.DataFrame


def natural_key(file_name: str) -> tuple[tuple[int, int | str], ...]:
    """Return a sort key in which `game_2` comes before `game_10`, and `game` before `game_2`. The file extension is ignored."""
    stem = file_name.rsplit(".", 1)[0].casefold()
    parts = re.findall(r"\d+|\D+", stem)
    return tuple((0, int(part)) if part.isdecimal() else (1, part) for part in parts)


def order_exports(exports: Iterable[ExportFile]) -> list[ExportFile]:
    """Sort exports by name, oldest first, as `newest_by = "file_name"` means. Equal names fall back on the content's hash."""
    return sorted(exports, key=lambda file: (natural_key(file.file_name), file.file_name, file.sha256))


def remove_duplicates(sightings: pl.DataFrame, file_order: pl.DataFrame) -> Deduplicated:
    """Keep each sighting_id once, as the newest export has it.

    `file_order`: file_id, newness (sortable, greater is newer; nulls are oldest). Mapping has already removed repeats within one file.
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
    return Deduplicated(kept.select(sightings.columns), aside, _same_ids(rest, once))


def _same_ids(rest: pl.DataFrame, once: pl.DataFrame) -> pl.DataFrame:
    days = rest.select("sighting_id", "baseball_day").join(
        once.select("sighting_id", other_day="baseball_day"), on="sighting_id"
    )
    apart = days.filter(pl.col("baseball_day") != pl.col("other_day")).select("baseball_day", "other_day")
    return apart.unique().sort("baseball_day", "other_day")


def _set_aside(rest: pl.DataFrame, once: pl.DataFrame) -> pl.DataFrame:
    why = (
        pl.when("same")
        .then(pl.lit("another export has the same row"))
        .when(pl.col("baseball_day") != pl.col("baseball_day_kept"))
        .then(pl.lit(REUSED_ID))
        .otherwise(pl.lit("a newer export has corrected this row"))
    )
    return _aside(rest.with_columns(kept_sighting_id="sighting_id"), once, why, _PLACE)


def _copies_aside(copies: pl.DataFrame, once: pl.DataFrame) -> pl.DataFrame:
    copied = once.join(copies, on="sighting_id", maintain_order="left")
    return _aside(copied, once, pl.lit(COPIED), (*_PLACE, "native_session", "sequence"))


_PLACE = ("file_id", "file_row", "file_order", "sighting_id", "newness")


def _aside(rows: pl.DataFrame, once: pl.DataFrame, why: pl.Expr, place: Collection[str]) -> pl.DataFrame:
    """Return rows of table set_aside: a repeat where all columns but `place` equal the row of `kept_sighting_id`, else superseded."""
    content = [name for name in once.columns if name not in place]
    kept = once.select(
        pl.col("sighting_id").alias("kept_sighting_id"), *(pl.col(name).alias(f"{name}_kept") for name in content)
    )
    same = pl.all_horizontal(pl.col(name).eq_missing(pl.col(f"{name}_kept")) for name in content)
    compared = rows.join(kept, on="kept_sighting_id", how="left").with_columns(same=same)
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


# ---- copies under other ids --------------------------------------------------------------------------------------------------------------


def _copies(once: pl.DataFrame) -> pl.DataFrame:
    """Return sighting_id and kept_sighting_id of rows that another export of the tracker and day has under another id.

    Each throw keeps its row in the export with the most rows, so that a session's order comes from one export. Where the readings are
    equal and the labels are not, somebody corrected them, and the newest export counts.
    """
    equal = _equal_rows(once)
    pairs = _pairs_of_copies(equal, once.group_by("file_id", "baseball_day").agg(size=pl.len()))
    linked = equal.join(_copied_together(pairs), on=["file_id", "baseball_day"])
    throw = ("origin", "throw")
    corrected = pl.struct(_CORRECTED).n_unique().over(throw).max().over("origin", "baseball_day") > 1
    ranked = linked.with_columns(
        rank=pl.when(corrected).then(0).otherwise("size"), newness=pl.col("newness").fill_null(-1)
    ).sort("rank", "newness", "file_id", descending=True)
    ranked = ranked.with_columns(kept_sighting_id=pl.col("sighting_id").first().over(throw))
    return ranked.filter(pl.col("sighting_id") != pl.col("kept_sighting_id")).select("sighting_id", "kept_sighting_id")


def _equal_rows(once: pl.DataFrame) -> pl.DataFrame:
    """Return rows whose readings several exports of a tracker and day have; `throw` numbers those that may be one, `worth` weighs them."""
    night = ("tracker", "baseball_day")
    several = once.filter(pl.col("file_id").n_unique().over(night) > 1)
    fine = pl.col("thrown_at").is_not_null() & (pl.col("clock_resolution_s") <= _FINE_S)
    values = pl.sum_horizontal(pl.col(name).is_not_null() for name in (*METRICS, *TRAJECTORY))
    weighed = several.with_columns(worth=values + pl.when(fine).then(_STAMP_WORTH).otherwise(0))
    weighed = weighed.filter(pl.col("worth") >= _FEWEST_IN_ROW).with_columns(read=pl.struct(_READ).hash())
    weighed = weighed.select(*_PLACE, *night, *_CORRECTED, "worth", "read", "release_speed_mph", "spin_rate_rpm")
    weighed = weighed.sort("file_order").with_row_index("throw")
    # where an export has several equal rows, its first one matches the first one of the other export
    key = (*night, "read", "release_speed_mph", "spin_rate_rpm", "nth")
    same = (*key[:-1], "file_id")
    weighed = weighed.with_columns(nth=pl.int_range(pl.len()).over(same), is_only=pl.len().over(same) == 1)
    return weighed.filter(pl.len().over(key) > 1).with_columns(throw=pl.col("throw").first().over(key))


def _pairs_of_copies(equal: pl.DataFrame, size: pl.DataFrame) -> pl.DataFrame:
    """Return baseball_day, file_id, size, other and other_size of exports so equal, row by row and in order, that one is a copy."""
    rows = equal.select("baseball_day", "throw", "file_id", "file_order", "worth", "is_only")
    others = rows.select("throw", other="file_id", other_order="file_order", other_is_only="is_only")
    both = rows.join(others, on="throw")
    both = both.filter(pl.col("file_id") < pl.col("other")).sort("file_order")
    # where an export has the same readings twice, it is unknown which row is which
    follows = pl.col("other_order").filter("is_only", "other_is_only").diff().fill_null(1) > 0
    pairs = both.group_by("baseball_day", "file_id", "other").agg(
        n=pl.len(), worth=pl.col("worth").sum(), in_order=follows.mean()
    )
    other_sizes = size.select("baseball_day", other="file_id", other_size="size")
    pairs = pairs.join(size, on=["baseball_day", "file_id"]).join(other_sizes, on=["baseball_day", "other"])
    smaller = pl.min_horizontal("size", "other_size")
    return pairs.filter(
        pl.col("worth") >= _FEWEST_IN_ALL,
        pl.col("n") >= _SHARE_EQUAL * smaller,
        pl.col("in_order") >= _SHARE_IN_ORDER,
    )


def _copied_together(pairs: pl.DataFrame) -> pl.DataFrame:
    """Return baseball_day, file_id, size and origin of the exports in these pairs; connected ones share one origin."""
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
