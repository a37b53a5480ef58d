"""Which days' statistics make the model of a day, and so which days have to be matched again when some have changed."""

from datetime import date, timedelta

import polars as pl

# the model of a day is made of the days of this window up to it; a pair's first days share one model, that of the opening block
WINDOW_DAYS, OPENING_DAYS = 28, 14


def feeding_days(known: list[date], day: date) -> tuple[int, ...]:
    """Places of the known days of a pair of trackers that make its model of `day`."""
    opening = min(known) + timedelta(days=OPENING_DAYS)
    if day < opening:
        return tuple(n for n, d in enumerate(known) if d < opening)
    return tuple(n for n, d in enumerate(known) if day - timedelta(days=WINDOW_DAYS) < d <= day)


def days_to_match(touched: pl.DataFrame, statistics: pl.DataFrame) -> pl.DataFrame:
    """The venues' days that have to be matched when the sightings of some have changed, come or gone: `venue`, `baseball_day`, sorted.

    `touched` has the same two columns; `statistics` is what was kept of the runs before (`Matched.statistics`). The answer holds the
    touched days themselves. Any pair of trackers may have been touched, so it can hold days that will come out as they were; it never
    lacks one that would not. To match them: `match_sightings` with all sightings of these days and with `statistics` without the rows of
    touched days; each day's rows are replaced by the new ones.
    """
    keys = ["venue", "baseball_day"]
    days = sorted(set(touched.get_column("baseball_day").to_list()))
    parts = [touched.select(keys)]
    if days:
        parts += [
            pair.filter(pl.col("baseball_day").is_in(_fed_by(pair.get_column("baseball_day").to_list(), days))).select(
                keys
            )
            for pair in statistics.select("tracker_a", "tracker_b", *keys).partition_by("tracker_a", "tracker_b")
        ]
    return pl.concat(parts).unique().sort(keys)


def _fed_by(known: list[date], touched: list[date]) -> list[date]:
    """The known days of one pair whose model any touched day may feed, before or after: inside the window, or in the opening block.

    The block reaches furthest where the touched days are gone: 14 days from the first day that stays. No day after it is in it.
    """
    staying = set(known) - set(touched)
    block_end = min(staying) + timedelta(days=OPENING_DAYS) if staying else date.max
    opened = touched[0] < block_end
    return [
        day
        for day in sorted(set(known))
        if (opened and day < block_end) or any(timedelta(0) <= day - t < timedelta(days=WINDOW_DAYS) for t in touched)
    ]
