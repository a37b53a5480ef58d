"""Put the rows of one export in the order in which the device saw the pitches."""

import numpy as np

from pipeline.matching.data.arrays import Floats, Ints

# a sequence number this far under the highest so far starts a new run ...
_FALL = 12
# ... and so does a return to 1 or 2 after a run of 8 or more (method page, "Order every file")
_RESTART_NUMBER, _RESTART_AFTER = 2, 8
# more runs than this that do not follow one another in time, and the rows were grouped by something else
_MOST_RUNS = 3


def device_order(sequence: Floats, seen_s: Floats) -> Ints:
    """Positions of the rows of one export, given in file order, in the order in which the device saw them.

    `sequence` is the device's count (nan where it has none), `seen_s` its clock in seconds (nan where it has none). Neither is
    trusted alone: a restarted count can be unique and yet reversed, and a clock that steps interleaves two sessions.
    """
    in_file = np.arange(len(sequence))
    if np.isnan(sequence).all():
        return _order_without_count(in_file, seen_s)
    count = _filled(sequence)
    runs = count_runs(count)
    if _grouped(count, runs):
        return np.lexsort((in_file, count))
    if runs[-1] < _MOST_RUNS:
        return np.lexsort((in_file, count, runs))
    if np.isnan(seen_s).all():
        return np.lexsort((in_file, count))
    if _one_after_another(runs, _filled(seen_s)):
        return np.lexsort((in_file, count, runs))
    by_time = np.argsort(_filled(seen_s), kind="stable")
    runs_by_time = count_runs(count[by_time])
    if runs_by_time[-1] < _MOST_RUNS:
        return by_time[np.lexsort((in_file, count[by_time], runs_by_time))]
    return by_time


def count_runs(count: Floats) -> Ints:
    """Number from 0 of the run that each row belongs to; a new one begins where the count falls back or starts again."""
    runs = np.zeros(len(count), dtype=np.int64)
    fall = np.maximum.accumulate(count) - count
    if not ((fall > _FALL) | (fall > 0) & (count <= _RESTART_NUMBER)).any():
        return runs
    highest, length, run = -np.inf, 0, 0
    for at, number in enumerate(count.tolist()):
        restarted = number <= _RESTART_NUMBER and length >= _RESTART_AFTER and number < highest
        if number < highest - _FALL or restarted:
            run, highest, length = run + 1, -np.inf, 0
        highest, length = max(highest, number), length + 1
        runs[at] = run
    return runs


def _grouped(count: Floats, runs: Ints) -> bool:
    """Numbers that no two rows share, in runs whose numbers interleave: nothing was restarted, the rows were grouped by something."""
    if runs[-1] == 0 or len(np.unique(count)) < len(count):
        return False
    cuts = np.flatnonzero(np.diff(runs)) + 1
    low, high = np.minimum.reduceat(count, [0, *cuts]), np.maximum.reduceat(count, [0, *cuts])
    order = np.argsort(low, kind="stable")
    return bool((low[order][1:] < np.maximum.accumulate(high[order])[:-1]).any())


def _one_after_another(runs: Ints, seen_s: Floats) -> bool:
    """The runs are sessions that follow one another, by the middle of each: a clock that steps within one can't interleave them."""
    middles = [np.median(part) for part in np.split(seen_s, np.flatnonzero(np.diff(runs)) + 1)]
    return bool((np.diff(middles) > 0).all())


def _order_without_count(in_file: Ints, seen_s: Floats) -> Ints:
    """File order, unless the stamps fall so often that the rows were grouped by something else."""
    if np.isnan(seen_s).all():
        return in_file
    falls = int((np.diff(_filled(seen_s)) < 0).sum())
    return in_file if falls < _MOST_RUNS else np.argsort(_filled(seen_s), kind="stable")


def _filled(values: Floats) -> Floats:
    """Nan takes the value before it in the file (the first takes the one after)."""
    known = ~np.isnan(values)
    last = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    return values[np.where(last < 0, int(known.argmax()), last)]
