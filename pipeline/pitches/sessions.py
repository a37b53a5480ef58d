"""Where a pitch stands in time and in its session: the reference clock, the order of pitches, sessions and outings."""

import polars as pl

# between two games of a day, or two parts of one that a device calls by two names
SESSION_GAP_MIN = 30
# innings start again: another game
INNING_DROP = 3
# stamps no finer than this cannot order pitches, which come 10 s apart at the least
COARSE_S = 2.0
SMOOTHED_OVER = 11


def place_in_time(members: pl.DataFrame) -> pl.DataFrame:
    """Add reference_at (the time on the station-day's reference clock, null without a clock), reference_by (the tracker whose stamp that
    is) and position (a time to order by).

    The reference clock of a station-day is the best-ranked tracker's whose stamps are fine enough. Another tracker's offset is the
    running median of its differences to the reference over matched pitches of the same file, carried to its other rows. A row without a
    clock takes its place between its neighbours in the file, and one with a coarse stamp never leaves it.
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
    # only where it was seen: the rows of one gap share an offset, so that they keep their order
    smooth = pl.when(offset.is_not_null()).then(offset.rolling_median(SMOOTHED_OVER, min_samples=1, center=True))
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
    """Number the pitches and give them a session and an outing; returns pitches, sessions, outings.

    One game, scrimmage or practice is a session; two games of a day at one field are told apart where the innings start again or the
    device's own session changes after a long break. All work on one bullpen mound in a day is one session, an outing for each arm.
    """
    pitches = _with_occasion(pitches)
    day = ["venue", "station", "baseball_day", "occasion"]
    ordered = pitches.sort(*day, "position", "file_order", "pitch_id", nulls_last=True)
    break_us = pl.col("position").diff().over(day)
    other = (
        pl.col("native_session").forward_fill().ne_missing(pl.col("native_session").forward_fill().shift(1)).over(day)
    )
    again = (pl.col("inning").forward_fill().shift(1) - pl.col("inning") >= INNING_DROP).over(day)
    long_break = other & (break_us > SESSION_GAP_MIN * 60e6)
    new = ((again | long_break) & (pl.col("occasion") != "bullpen")).fill_null(False)
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
    """What an export states holds; a pitch of which none does takes it from the pitches around it, and only then what is usual there."""
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
