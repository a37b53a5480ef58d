"""Place pitches in time and in sessions: the reference clock, the order of pitches, sessions and outings."""

import polars as pl

# Minutes between pitches from which a device's new session name means a new session, not a second name for the same one (common
# practice, no source).
SESSION_GAP_MIN = 30
# An inning lower than the last by this many means that another game began (common practice, no source).
INNING_DROP = 3
# Timestamps coarser than this (s) cannot order pitches, which come at least 10 s apart.
COARSE_S = 2.0
# Matched pitches in the running median of a clock offset (common practice, no source).
MEDIAN_WINDOW = 11


def place_in_time(members: pl.DataFrame) -> pl.DataFrame:
    """Add reference_at, reference_by and position.

    reference_at: the time on the station-day's reference clock (null without a clock). reference_by: the tracker whose timestamp that is.
    position: a time to order by. The reference clock of a station-day is that of the best-ranked tracker with fine enough timestamps.
    Another tracker's offset is the running median of its differences to the reference over matched pitches of the same file, carried to
    its other rows. A row without a clock is placed between its neighbors in the file; a row with a coarse timestamp stays between them.
    """
    members = members.with_columns(
        place=pl.coalesce("station", pl.format("?{}", "tracker")), coarse=pl.col("clock_resolution_s") > COARSE_S
    )
    day = ["venue", "place", "baseball_day"]
    clocked = members.filter(pl.col("thrown_at").is_not_null()).sort("coarse", "rank", "sighting_id")
    reference = clocked.group_by(day, maintain_order=True).agg(reference=pl.col("tracker").first())
    members = members.join(reference, on=day, how="left")
    at_reference = members.filter(pl.col("tracker") == pl.col("reference")).select("pitch_id", seen_at="thrown_at")
    at_reference = at_reference.group_by("pitch_id").agg(pl.col("seen_at").first())
    members = members.join(at_reference, on="pitch_id", how="left")
    stamped = pl.when(pl.col("seen_at").is_not_null()).then("reference").otherwise("tracker")
    placed = _carry_offsets(members).with_columns(
        reference_by=pl.when(pl.col("reference_at").is_not_null()).then(stamped)
    )
    return placed.drop("place", "coarse", "reference", "seen_at", "offset_us")


def _carry_offsets(members: pl.DataFrame) -> pl.DataFrame:
    one_file = ["tracker", "file_id", "venue", "place", "baseball_day"]
    offset = (pl.col("thrown_at") - pl.col("seen_at")).dt.total_microseconds().cast(pl.Float64)
    # Only matched rows have a median; the rows of one gap share its offset, so they keep their order.
    smooth = pl.when(offset.is_not_null()).then(offset.rolling_median(MEDIAN_WINDOW, min_samples=1, center=True))
    carried = smooth.forward_fill().backward_fill().fill_null(0.0).over(one_file, order_by="file_order")
    members = members.with_columns(offset_us=carried)
    shifted = pl.col("thrown_at") - pl.duration(microseconds=pl.col("offset_us").round().cast(pl.Int64))
    after, before = (
        limit.over(one_file, order_by="file_order")
        for limit in (pl.col("seen_at").forward_fill(), pl.col("seen_at").backward_fill())
    )
    tick = pl.duration(microseconds=1)
    kept = pl.min_horizontal(pl.max_horizontal(shifted, after + tick), before - tick)
    in_order = (after < before).fill_null(True)
    inside = pl.when(pl.col("coarse") & shifted.is_not_null() & in_order).then(kept).otherwise(shifted)
    members = members.with_columns(reference_at=pl.coalesce("seen_at", inside))
    between = pl.col("reference_at").dt.epoch("us").cast(pl.Float64).interpolate().forward_fill().backward_fill()
    return members.with_columns(position=between.over(one_file, order_by="file_order"))


def place_in_sessions(pitches: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Number the pitches and give them a session and an outing; return pitches, sessions, outings.

    One game, scrimmage or practice is a session. Two games of a day at one field are separated where the innings start again, or where the
    device's own session changes after a long break. All work on one bullpen mound in a day is one session, with one outing per pitcher.
    """
    pitches = _with_occasion(pitches)
    day = ["venue", "station", "baseball_day", "occasion"]
    ordered = pitches.sort(*day, "position", "file_order", "pitch_id", nulls_last=True)
    break_us = pl.col("position").diff().over(day)
    another_session = (
        pl.col("native_session").forward_fill().ne_missing(pl.col("native_session").forward_fill().shift(1)).over(day)
    )
    innings_restart = (pl.col("inning").forward_fill().shift(1) - pl.col("inning") >= INNING_DROP).over(day)
    long_break = another_session & (break_us > SESSION_GAP_MIN * 60e6)
    new = ((innings_restart | long_break) & (pl.col("occasion") != "bullpen")).fill_null(False)
    ordered = ordered.with_columns(session_number=new.cast(pl.UInt32).cum_sum().over(day) + 1)
    ordered = ordered.with_columns(
        session_id=pl.concat_str(
            pl.col("baseball_day").cast(pl.String),
            "venue",
            pl.col("station").fill_null("unknown"),
            pl.col("occasion").fill_null("unknown"),
            pl.col("session_number").cast(pl.String),
            separator="-",
        )
    ).with_columns(
        pitch_number=pl.int_range(1, pl.len() + 1, dtype=pl.UInt32).over("session_id"),
        outing_id=pl.format("{}-{}", "session_id", pl.coalesce("pitcher_id", pl.format("label:{}", "pitcher_label"))),
    )
    return (
        ordered.drop("position", "file_order", "native_session", "session_number"),
        _sessions(ordered),
        _outings(ordered),
    )


def _with_occasion(pitches: pl.DataFrame) -> pl.DataFrame:
    """Set the occasion: as an export states it; else as stated for the pitches around it; else as usual at the station."""
    day = ["venue", "station", "baseball_day"]
    around = pl.col("stated").forward_fill().backward_fill().over(day)
    ordered = pitches.sort(*day, "position", "file_order", "pitch_id", nulls_last=True)
    return ordered.with_columns(occasion=pl.coalesce("stated", around, "occasion")).drop("stated")


def _sessions(pitches: pl.DataFrame) -> pl.DataFrame:
    return pitches.group_by("session_id", maintain_order=True).agg(
        pl.col("venue", "station", "occasion", "baseball_day", "season").first(),
        first_thrown_at=pl.col("thrown_at").min(),
        last_thrown_at=pl.col("thrown_at").max(),
        pitches=pl.len(),
        pitchers=pl.coalesce("pitcher_id", "pitcher_label").drop_nulls().n_unique(),
        trackers=pl.col("trackers").str.split(",").list.explode().unique().sort().str.join(","),
    )


def _outings(pitches: pl.DataFrame) -> pl.DataFrame:
    return (
        pitches.filter(pl.col("outing_id").is_not_null())
        .group_by("outing_id", maintain_order=True)
        .agg(
            pl.col("session_id", "baseball_day", "pitcher_id", "pitcher_label").first(),
            pitches=pl.len(),
            innings=pl.struct("inning", "half").filter(pl.col("inning").is_not_null()).n_unique(),
            first_pitch_number=pl.col("pitch_number").min(),
            last_pitch_number=pl.col("pitch_number").max(),
            first_thrown_at=pl.col("thrown_at").min(),
            last_thrown_at=pl.col("thrown_at").max(),
        )
    )
