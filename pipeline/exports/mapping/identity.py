"""The id of each sighting: the same row keeps its id in every export that holds it, whatever a correction changes."""

import polars as pl
import polars_hash as plh

from pipeline.exports.mapping.cells import Cells
from pipeline.settings.profile import Profile

# two throws within one step of a clock this fine can't be
_FINE_CLOCK_S = 1.0


def add_sighting_id(rows: pl.DataFrame, cells: Cells, profile: Profile) -> pl.DataFrame:
    """Add `sighting_id`, and `is_repeat`: whether the row equals an earlier one of this file in every cell.

    The id rests on the tracker's own id of the pitch. Without one it rests on the row's place: day, session, sequence number, time as
    written, and a counter where several rows share these; never on what a correction may change. Without session and time, the values that
    the file carries (its date, pitcher, mound) separate it from other files of the day. Rows equal in every cell count as repeats only
    where something in them is unique: two throws in one minute may well read the same.
    """
    stamp = pl.concat_str([pl.col(ref) for ref in profile.time.stamp_columns], separator=" ", ignore_nulls=True)
    stamp_text = cells.text.with_columns(stamp_text=stamp if profile.time.stamp_columns else pl.lit("")).get_column(
        "stamp_text"
    )
    fine = pl.col("thrown_at").is_not_null() & (pl.col("clock_resolution_s") <= _FINE_CLOCK_S)
    unique = pl.col("native_id").is_not_null() | pl.col("sequence").is_not_null() | fine
    placeless = pl.col("native_session").is_null() & (pl.col("stamp_text") == "")
    keyed = rows.hstack([cells.content, stamp_text])
    keyed = keyed.with_columns(is_repeat=unique & ~pl.col("content").is_first_distinct())
    parts = ("tracker", "baseball_day", "native_session", "sequence", "stamp_text")
    place = pl.concat_str(
        *(pl.col(name).cast(pl.String).fill_null("") for name in parts),
        pl.when(placeless).then(pl.lit(_carried_text(cells, profile))).otherwise(pl.lit("")),
        separator="|",
    )
    keyed = keyed.with_columns(place=place)
    # rows are in file_order; a repeat takes the number of the row that it repeats
    keyed = keyed.with_columns(nth=(~pl.col("is_repeat")).cast(pl.Int64).cum_sum().over("place"))
    keyed = keyed.with_columns(nth=pl.when("is_repeat").then(pl.col("nth").first().over("content")).otherwise("nth"))
    key = (
        pl.when(pl.col("native_id").is_not_null())
        .then(pl.format("{}|id|{}", "tracker", "native_id"))
        .otherwise(pl.concat_str("place", pl.col("nth").cast(pl.String), separator="|"))
    )
    keyed = keyed.with_columns(key=key).with_columns(
        sighting_id=pl.format("s{}", plh.col("key").chash.sha2_256().str.slice(0, 16))
    )
    return keyed.select(*rows.columns, "sighting_id", "is_repeat")


def _carried_text(cells: Cells, profile: Profile) -> str:
    """Join the carried values that tell this file from others of the day; the time of export does not."""
    if cells.text.is_empty():
        return ""
    refs = [ref for ref in profile.references() if ref.startswith("@") and ref != profile.file.exported_at]
    return "|".join(str(cells.text.get_column(ref)[0] or "") for ref in sorted(refs))
