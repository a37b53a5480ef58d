"""Find exports copied under other ids (`session = "@file"`, a renamed session): their readings identify them, value by value."""

import polars as pl

from pipeline.exports.connected import connected
from schemas.metrics import METRICS, TRAJECTORY

# The numbers below are common practice, no source: with a radar that writes nothing but whole miles per hour, rows of two evenings are
# often equal by chance.
# equal values in a row that no other row of its export has, below which it may be equal by chance
_FEWEST_IN_ROW = 2
# equal values in all rows of a pair of exports that can't be chance
FEWEST_IN_ALL = 9
# a time counts as this many values, ...
_STAMP_WORTH = 2
# ... if the clock's step is not longer than this
_FINE_S = 1.0
# share of the smaller export that must be equal, in rows that are the only ones with their values in both exports: a copy may be cut off,
# and some of its rows corrected since
_SHARE_EQUAL = 0.5
# share of the equal rows that must follow in the same order
_SHARE_IN_ORDER = 0.9
_READ = ("native_id", "thrown_at", *METRICS, *TRAJECTORY)
_CORRECTED = ("pitcher_label", "pitcher_native_id", "batter_label", "batter_native_id", "pitch_type", "station")
_PLACE = ("file_id", "file_row", "file_order", "sighting_id", "newness")


def find_copies(once: pl.DataFrame) -> pl.DataFrame:
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
    # where an export has the same readings twice, it is unknown which row is which, and two evenings may have them by chance
    both = both.filter("is_only", "other_is_only")
    follows = pl.col("other_order").diff().fill_null(1) > 0
    pairs = both.group_by("baseball_day", "file_id", "other", maintain_order=True).agg(
        n=pl.len(), worth=pl.col("worth").sum(), in_order=follows.mean()
    )
    other_sizes = size.select("baseball_day", other="file_id", other_size="size")
    pairs = pairs.join(size, on=["baseball_day", "file_id"]).join(other_sizes, on=["baseball_day", "other"])
    smaller = pl.min_horizontal("size", "other_size")
    return pairs.filter(
        pl.col("worth") >= FEWEST_IN_ALL,
        pl.col("n") >= _SHARE_EQUAL * smaller,
        pl.col("in_order") >= _SHARE_IN_ORDER,
    )


def _copied_together(pairs: pl.DataFrame) -> pl.DataFrame:
    """Return baseball_day, file_id, size and origin of the exports in these pairs; connected ones share one origin."""
    other = pairs.select("baseball_day", file_id="other", size="other_size")
    nodes = pl.concat([pairs.select("baseball_day", "file_id", "size"), other]).unique()
    nodes = nodes.sort("baseball_day", "file_id").with_row_index("node")
    number = nodes.select("baseball_day", "file_id", "node")
    linked = pairs.join(number, on=["baseball_day", "file_id"]).join(
        number.rename({"file_id": "other", "node": "other_node"}), on=["baseball_day", "other"]
    )
    origins = connected(linked.select("node", "other_node").iter_rows())
    return nodes.with_columns(origin=pl.col("node").replace_strict(origins, default=None, return_dtype=pl.UInt32)).drop(
        "node"
    )
