"""Put the rows of one export in the order in which the device saw the pitches."""

import numpy as np

from pipeline.matching.data.arrays import Floats, Ints

# Values without a source of their own were chosen on simulated seasons (tests/benchmarks).

# A sequence number this far below the running maximum starts a new run.
_RUN_ENDS_BELOW_MAXIMUM = 12
# A return to this number or less also starts one: the device counts from 1 again, and its first row may be missing.
_RESTART_NUMBER = 2
# That counts as a restart only after this many rows.
_RESTART_AFTER_ROWS = 8
# More runs than this that do not follow one another in time: the export is grouped by something other than time.
_MAX_RUNS = 3
# A stamp earlier than the one before by more than this is a step back in time; coarser stamps never fall by less.
_STEP_BACK_S = 2.0


def device_order(sequence: Floats, seen_s: Floats) -> Ints:
    """Return the positions of an export's rows, given in file order, in device order.

    `sequence` is the device's count and `seen_s` its clock in seconds; both are nan where missing. Neither is trusted
    alone: a restarted count can be unique and yet reversed, and a clock that steps interleaves two sessions.
    """
    file_order = np.arange(len(sequence))
    if np.isnan(sequence).all():
        return _order_without_count(file_order, seen_s)
    count = _forward_filled(sequence)
    order = _order_by_count(count, file_order, seen_s)
    by_count = np.lexsort((file_order, count))
    is_unique = len(np.unique(count)) == len(count)
    # two or three groups look like a count that restarts: the stamps show which order is the session's
    if is_unique and not np.isnan(seen_s).any() and _steps_back(seen_s[by_count]) < _steps_back(seen_s[order]):
        return by_count
    return order


def _steps_back(seen_s: Floats) -> int:
    """Return how often time falls. A restarted count has none in file order; a clock step falls in every order."""
    return int((np.diff(seen_s) < -_STEP_BACK_S).sum())


def _order_by_count(count: Floats, file_order: Ints, seen_s: Floats) -> Ints:
    """Return the order by runs of the count, or by time where the runs do not follow the session."""
    runs = count_runs(count)
    if _is_grouped(count, runs):
        return np.lexsort((file_order, count))
    if runs[-1] < _MAX_RUNS:
        return np.lexsort((file_order, count, runs))
    if np.isnan(seen_s).all():
        return np.lexsort((file_order, count))
    if _runs_follow_in_time(runs, _forward_filled(seen_s)):
        return np.lexsort((file_order, count, runs))
    by_time = np.argsort(_forward_filled(seen_s), kind="stable")
    runs_by_time = count_runs(count[by_time])
    if runs_by_time[-1] < _MAX_RUNS:
        return by_time[np.lexsort((file_order, count[by_time], runs_by_time))]
    return by_time


def count_runs(count: Floats) -> Ints:
    """Number the runs from 0, by row.

    A run ends where the count falls back or restarts.
    """
    runs = np.zeros(len(count), dtype=np.int64)
    fall = np.maximum.accumulate(count) - count
    if not ((fall > _RUN_ENDS_BELOW_MAXIMUM) | (fall > 0) & (count <= _RESTART_NUMBER)).any():
        return runs
    highest, length, run = -np.inf, 0, 0
    for row, number in enumerate(count.tolist()):
        is_restart = number <= _RESTART_NUMBER and length >= _RESTART_AFTER_ROWS and number < highest
        if number < highest - _RUN_ENDS_BELOW_MAXIMUM or is_restart:
            run, highest, length = run + 1, -np.inf, 0
        highest, length = max(highest, number), length + 1
        runs[row] = run
    return runs


def _is_grouped(count: Floats, runs: Ints) -> bool:
    """Return whether unique numbers interleave between runs.

    Then the count did not restart: the rows were grouped.
    """
    if runs[-1] == 0 or len(np.unique(count)) < len(count):
        return False
    cuts = np.flatnonzero(np.diff(runs)) + 1
    low, high = np.minimum.reduceat(count, [0, *cuts]), np.maximum.reduceat(count, [0, *cuts])
    order = np.argsort(low, kind="stable")
    return bool((low[order][1:] < np.maximum.accumulate(high[order])[:-1]).any())


def _runs_follow_in_time(runs: Ints, seen_s: Floats) -> bool:
    """Return whether the runs' median times rise.

    Then they are sessions one after another, even if a clock steps inside one.
    """
    middles = [np.median(part) for part in np.split(seen_s, np.flatnonzero(np.diff(runs)) + 1)]
    return bool((np.diff(middles) > 0).all())


def _order_without_count(file_order: Ints, seen_s: Floats) -> Ints:
    """Return file order, or time order if the stamps fall often.

    Then the rows were grouped by something else.
    """
    if np.isnan(seen_s).all():
        return file_order
    falls = int((np.diff(_forward_filled(seen_s)) < 0).sum())
    return file_order if falls < _MAX_RUNS else np.argsort(_forward_filled(seen_s), kind="stable")


def _forward_filled(values: Floats) -> Floats:
    """Replace each nan by the value before it, leading ones by the first value."""
    known = ~np.isnan(values)
    last = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    return values[np.where(last < 0, int(known.argmax()), last)]
