"""Tell a corrected export from another evening whose rows have the same keys.

A device that numbers its throws from 1 gives two evenings the same keys, unless the export states a session or a time. So the keys alone
do not prove that a newer row corrects an older one: it must also resemble it. A reading agrees if its two values are closer together than
four of five pairs of throws that follow each other; a row resembles another if most of its readings agree, or if both state the same
time. The decision is made for two exports and their days together: if most of the rows with equal keys resemble each other, both hold the
same evening, and the newer export corrects the older one, row by row, whatever it changed. Otherwise they hold two evenings, and every
throw of both is kept. Where few readings agree, the pitchers' labels must be the same, too.
"""

from collections.abc import Iterator
from typing import NamedTuple

import polars as pl
import polars_hash as plh

from pipeline.exports.connected import connected
from pipeline.exports.copies import FEWEST_IN_ALL
from schemas.exports import KEY_COLLISIONS
from schemas.metrics import METRICS, TRAJECTORY

READINGS = (*METRICS, *TRAJECTORY)
# share of consecutive throws whose readings are as close as those of one throw may be; common practice, no source
_SHARE_CLOSE = 0.2
# differences from which that share can be learned; with fewer, only equal readings agree
_FEWEST_DIFFERENCES = 5
_NODE = ("file_id", "baseball_day")
_COMPARED = ("key_id", "thrown_at", "pitcher_label", *READINGS)


class Evenings(NamedTuple):
    """Rows with the ids of their evenings.

    `rows`: all rows, with `key_id` (the id that the key alone gives) beside `sighting_id`, and `evening`, null where nothing shares keys.
    `names`: evening and file_name of the exports of evenings that share keys with another. `limits`: as from `reading_limits`.
    """

    rows: pl.DataFrame
    names: pl.DataFrame
    limits: pl.DataFrame


def separate_evenings(rows: pl.DataFrame) -> Evenings:
    """Give the rows of an evening an id of its own where an older evening has the same keys.

    `rows`: sightings with newness (sortable, greater is newer, never null) and file_name. The oldest evening keeps the ids; a later one
    adds the name of its oldest export to the key. A row whose key contains its time keeps its id.
    """
    # in one piece: polars 2.1 panics when it formats the values of an empty chunk
    rows = rows.with_columns(key_id="sighting_id").rechunk()
    shared = rows.filter(pl.col("file_id").n_unique().over("key_id") > 1)
    nodes = shared.select(*_NODE, "tracker", "newness", "file_name").unique(_NODE)
    nodes = nodes.sort("newness", *_NODE).with_row_index("node")
    limits = reading_limits(rows.join(nodes, on=["tracker", "baseball_day"], how="semi"))
    found = _find_evenings(
        shared.join(nodes.select(*_NODE, "node"), on=_NODE).join(limits, on=["tracker", "baseball_day"])
    )
    evening = pl.col("node").replace_strict(found.evenings, default=None, return_dtype=pl.UInt32)
    nodes = nodes.with_columns(evening=evening)
    first_name = pl.col("file_name").sort_by("node").first().over("evening")
    later_name = pl.when(pl.col("evening").is_in(list(found.later))).then(first_name)
    nodes = nodes.with_columns(later_name=later_name)
    rows = rows.join(nodes.select(*_NODE, "evening", "later_name"), on=_NODE, how="left", maintain_order="left")
    has_timed_key = pl.col("native_id").is_null() & pl.col("thrown_at").is_not_null()
    later_name = pl.when(~has_timed_key).then("later_name")
    rows = rows.rechunk().with_columns(later_name=later_name)
    rows = rows.with_columns(sighting_id=pl.coalesce(evening_id("later_name"), "key_id"))
    names = nodes.filter(pl.col("evening").is_in(list(found.rivals))).select("evening", "file_name").unique()
    return Evenings(rows.drop("later_name"), names, limits)


def evening_id(name: str) -> pl.Expr:
    """Return the id of the row with key_id, in an evening whose oldest export has the name in column `name`."""
    key = pl.format("{}|{}", "key_id", name)
    return pl.format("s{}", plh.concat_str(key).chash.sha2_256().str.slice(0, 16))


class _Found(NamedTuple):
    """`evenings`: the first node of each node's evening. `rivals`: evenings that share keys with another; `later`: the younger of these."""

    evenings: dict[int, int]
    rivals: set[int]
    later: set[int]


def _find_evenings(shared: pl.DataFrame) -> _Found:
    """Find the evenings of nodes: exports and their days, numbered from the oldest.

    `shared`: rows with a key that several exports have, with node and limits. Each node, oldest first, belongs to the evening that it
    resembles most, or begins another.
    """
    shared = shared.with_columns(first=pl.col("node").min().over(_COMPARED))
    repeated = _repeated_nodes(shared)
    found = _Found({}, set(), set())
    seen = _as_other(shared.clear(), 0)
    # rows that repeat an older one are known already: of many exports of one season, each is compared only where it is new
    is_new = (pl.col("first") == pl.col("node")) | ~pl.col("node").is_in(list(repeated))
    for node, rows in _by_node(shared.filter(is_new)):
        if node in repeated:
            evening = found.evenings[repeated[node]]
        else:
            verdicts = _verdicts(rows.join(seen, on="key_id"))
            same = verdicts.filter("same_evening").get_column("evening")
            evening = same[0] if len(same) else node
            if verdicts.height and evening == node:
                found.later.add(node)
                found.rivals.update([node, *verdicts.get_column("evening")])
        found.evenings[node] = evening
        seen = pl.concat([_as_other(rows, evening), seen]).unique(["key_id", "evening"], keep="first")
    found.evenings.update((node, found.evenings[older]) for node, older in repeated.items())
    return found


def _by_node(rows: pl.DataFrame) -> Iterator[tuple[int, pl.DataFrame]]:
    for (node,), part in rows.sort("node").group_by("node", maintain_order=True):
        yield int(str(node)), part


def _as_other(rows: pl.DataFrame, evening: int) -> pl.DataFrame:
    """Return rows of an evening as the second part of pairs."""
    values = pl.col(name for name in _COMPARED if name != "key_id").name.suffix("_other")
    return rows.select("key_id", values, evening=pl.lit(evening, pl.UInt32))


def _repeated_nodes(shared: pl.DataFrame) -> dict[int, int]:
    """Return for each node most of whose rows an older node has, value by value, the oldest such node. `first`: the oldest with the row."""
    counted = shared.group_by("node", "first").agg(rows=pl.len())
    counted = counted.with_columns(size=pl.col("rows").sum().over("node"))
    mostly = counted.filter((pl.col("first") < pl.col("node")) & (2 * pl.col("rows") > pl.col("size")))
    oldest = connected(mostly.select("node", "first").iter_rows())
    return {node: older for node, older in oldest.items() if older != node}


def _verdicts(pairs: pl.DataFrame) -> pl.DataFrame:
    """Return evening and same_evening, the most similar evening first. `pairs`: a node's rows beside the rows of older evenings."""
    compared = compare(pairs)
    alike = pl.col("resembles")
    agreeing = pl.when("same_time").then(FEWEST_IN_ALL).otherwise("agreeing")
    evidence = (agreeing.filter(alike).sum() >= FEWEST_IN_ALL) | (pl.col("same_label").mean() > 0.5)
    verdicts = compared.group_by("evening").agg(share=alike.mean(), same_evening=(alike.mean() > 0.5) & evidence)
    return verdicts.sort("share", "evening", descending=[True, False])


def compare(pairs: pl.DataFrame) -> pl.DataFrame:
    """Add same_time, same_label, agreeing (readings) and resembles. `pairs`: columns of two rows, the second's with _other, and limits."""
    within = [_distance(name) <= pl.col(f"{name}_limit") for name in READINGS]
    compared = pairs.with_columns(
        same_time=(pl.col("thrown_at") == pl.col("thrown_at_other")).fill_null(False),
        same_label=pl.col("pitcher_label").eq_missing(pl.col("pitcher_label_other")),
        agreeing=pl.sum_horizontal(within),
        comparable=pl.sum_horizontal(each.is_not_null() for each in within),
    )
    unread = (pl.col("comparable") == 0) & pl.col("same_label")
    return compared.with_columns(
        resembles=pl.col("same_time") | (2 * pl.col("agreeing") > pl.col("comparable")) | unread
    )


def reading_limits(rows: pl.DataFrame) -> pl.DataFrame:
    """Return tracker, baseball_day and <reading>_limit: how close two values of one throw must be; null where a reading tells nothing.

    A reading tells nothing if most throws that follow each other have the same value.
    """
    ordered = rows.sort(*_NODE, "file_order")
    steps = ordered.select("tracker", "baseball_day", *(_step(name).over(_NODE) for name in READINGS))
    return steps.group_by("tracker", "baseball_day").agg(
        pl.when(pl.col(name).count() < _FEWEST_DIFFERENCES)
        .then(0.0)
        .when(pl.col(name).median() > 0)
        .then(pl.col(name).quantile(_SHARE_CLOSE))
        .alias(f"{name}_limit")
        for name in READINGS
    )


def _step(name: str) -> pl.Expr:
    return _around(name, pl.col(name).diff().abs())


def _distance(name: str) -> pl.Expr:
    return _around(name, (pl.col(name) - pl.col(f"{name}_other")).abs())


def _around(name: str, distance: pl.Expr) -> pl.Expr:
    """Return the distance the short way round for an angle."""
    is_circular = name in METRICS and METRICS[name].circular
    return pl.min_horizontal(distance, 360 - distance) if is_circular else distance


def key_collisions(kept: pl.DataFrame) -> pl.DataFrame:
    """Return the table `key_collisions`: exports whose rows have the same keys and are kept as different throws.

    `kept`: the sightings that remain, with key_id and newness.
    """
    # the row of the oldest evening first
    has_new_id = pl.col("sighting_id") != pl.col("key_id")
    ordered = kept.filter(pl.col("key_id").is_duplicated()).sort("key_id", has_new_id, "newness", "file_id", "file_row")
    is_first = pl.col("key_id").is_first_distinct()
    first = ordered.filter(is_first).select("key_id", other_file_id="file_id", other_day="baseball_day")
    later = ordered.filter(~is_first).join(first, on="key_id")
    key = (
        pl.when(pl.col("native_id").is_not_null())
        .then(pl.lit("native_id"))
        .when(pl.col("sequence").is_not_null())
        .then(pl.lit("sequence"))
        .otherwise(pl.lit("row_order"))
    )
    named = later.with_columns(key=key, example=pl.coalesce("native_id", pl.col("sequence").cast(pl.String)))
    by = ("tracker", "baseball_day", "file_id", "other_day", "other_file_id", "key")
    counted = named.sort("file_order").group_by(by).agg(throws=pl.len(), example=pl.col("example").first())
    return counted.select(pl.col(name).cast(dtype) for name, dtype in KEY_COLLISIONS.polars_schema().items()).sort(by)


def former_ids(kept: pl.DataFrame, names: pl.DataFrame) -> pl.DataFrame:
    """Return ids that an earlier run may have given to sightings, before it knew all exports of their evening.

    `kept`: the sightings that remain, with key_id and evening. `names`: see Evenings. Columns sighting_id, kept_sighting_id, baseball_day;
    an id that another sighting has now is not among them.
    """
    rows = kept.filter(pl.col("evening").is_in(names.get_column("evening").implode())).sort("evening", "sighting_id")
    columns = ("evening", "key_id", "sighting_id", "baseball_day")
    named = rows.select(columns).join(names.sort("evening", "file_name"), on="evening", maintain_order="left_right")
    by_name = named.rechunk().select(
        "baseball_day", kept_sighting_id="sighting_id", sighting_id=evening_id("file_name")
    )
    by_key = rows.select("baseball_day", kept_sighting_id="sighting_id", sighting_id="key_id")
    former = pl.concat([by_key, by_name]).unique("sighting_id", keep="first", maintain_order=True)
    current = kept.get_column("sighting_id").implode()
    return former.filter(~pl.col("sighting_id").is_in(current)).select(
        "sighting_id", "kept_sighting_id", "baseball_day"
    )
