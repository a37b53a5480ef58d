"""Which days' statistics feed the model of a day.

And so which days to match again when some have changed.
"""

from datetime import date, timedelta

import polars as pl

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# The days up to a day whose statistics feed its model: long enough for many pairs, short enough to follow the devices.
WINDOW_DAYS = 28
# The first days of a pair of trackers share one model, made of all of them.
OPENING_DAYS = 14


def feeding_days(known: list[date], day: date) -> tuple[int, ...]:
    """Return the positions of the known days that feed the model of `day`."""
    opening = min(known) + timedelta(days=OPENING_DAYS)
    if day < opening:
        return tuple(n for n, d in enumerate(known) if d < opening)
    return tuple(n for n, d in enumerate(known) if day - timedelta(days=WINDOW_DAYS) < d <= day)


def days_to_match(touched: pl.DataFrame, statistics: pl.DataFrame) -> pl.DataFrame:
    """Return the days to match again after the sightings of some have changed.

    Columns `venue`, `baseball_day`; sorted. `touched`: the changed days, same columns. `statistics`: those kept from
    earlier runs (`Matched.statistics`). The answer holds the touched days. Any pair of trackers may have been touched,
    so it can hold days whose result stays the same; it never lacks one whose result changes. To match them, pass all
    sightings of these days to `match_sightings`, and `statistics` without the rows of touched days; each day's rows are
    then replaced.
    """
    keys = ["venue", "baseball_day"]
    days = sorted(set(touched.get_column("baseball_day").to_list()))
    parts = [touched.select(keys)]
    if days:
        parts += [
            pair.filter(
                pl.col("baseball_day").is_in(_fed_days(pair.get_column("baseball_day").to_list(), days))
            ).select(keys)
            for pair in statistics.select("tracker_a", "tracker_b", *keys).partition_by("tracker_a", "tracker_b")
        ]
    return pl.concat(parts).unique().sort(keys)


def _fed_days(known: list[date], touched: list[date]) -> list[date]:
    """Return the known days of a tracker pair that any touched day feeds.

    Before or after the change. The opening block reaches furthest if the touched days are gone: 14 days from the first
    day that remains.
    """
    remaining = set(known) - set(touched)
    block_end = min(remaining) + timedelta(days=OPENING_DAYS) if remaining else date.max
    opening_changed = touched[0] < block_end
    return [
        day
        for day in sorted(set(known))
        if (opening_changed and day < block_end)
        or any(timedelta(0) <= day - t < timedelta(days=WINDOW_DAYS) for t in touched)
    ]
