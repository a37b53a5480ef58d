"""What each pair of trackers' readings and labels are like: learned day by day, then pooled over the days before.

Stage 1 (`fit_days`) uses nothing but the sightings of one station-day and built-in priors. Stage 2 (`pooled_models`) combines the
days' statistics: for day D those of the 28 days up to D, and for a pair's first 14 days those of that opening block. So the result
for a day depends only on its own sightings and on statistics that are a pure function of other days' sightings (law 3).
"""

from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.matching.alignment.align_round import (
    CLOSE_S,
    FINE_S,
    ROUGH_S,
    Fit,
    Gaps,
    Place,
    locate,
    next_gaps,
    refined,
    run_round,
    start_gaps,
)
from pipeline.matching.alignment.bands import Cells, Window, is_coarse
from pipeline.matching.clocks.missed_steps import with_steps
from pipeline.matching.clocks.search import Clock, coincident_pairs
from pipeline.matching.data.arrays import Bools, Floats, Ints, PolarsType, medians
from pipeline.matching.data.records import LABELS, METRIC_NAMES, Records, Unit
from pipeline.matching.evidence.labels import LabelModel, fit_labels
from pipeline.matching.evidence.readings import (
    CIRCULAR,
    COMPONENTS,
    Prior,
    ReadingModel,
    SameFit,
    differences,
    fit_other,
    fit_same,
    model_metrics,
    start_model,
)
from pipeline.matching.learning.training_window import feeding_days

_NEIGHBOURS, _MOST_NEIGHBOURS = (-4, -2, -1, 1, 2, 4), 500
_K, _L = len(METRIC_NAMES), len(LABELS)
_KEYS = ("tracker_a", "tracker_b", "venue", "station", "baseball_day")
# statistics that are pooled as weighted medians (they wander from day to day) and as weighted means (shares)
_WIDTHS = {
    "n": _K,
    "bias": _K,
    "spread": _K,
    "outlier_share": _K,
    "weight": _K,
    "wide": _K,
    "share": COMPONENTS,
    "other_mean": COMPONENTS * _K,
    "other_spread": COMPONENTS * _K,
    "label_same": _L,
    "label_other": _L,
}
STATISTICS: dict[str, PolarsType] = {
    **dict.fromkeys(_KEYS[:4], pl.String),
    "baseball_day": pl.Date,
    **{name: pl.Array(pl.Float64, width) for name, width in _WIDTHS.items()},
}
# pairs and evidence (natural log) of a unit whose clock may be lent to others
_ENOUGH_FOR_A_CLOCK, _SURE_OF_A_CLOCK = 6.0, 30.0
# how much more a clock that a unit found by itself must explain than another file's: the cost of a step (natural log, as in `clock`)
_MOVED_COST = 14.0
# share of the smaller stream with a partner by a look without bias: where two trackers share an arm, 0.8 to 1.0 in simulated seasons
# (550 sessions), where they share none, at most 0.67
_MOST = 0.75
# share of a stream's records that others must have for it to be looked for no more
_NEARLY_ALL = 0.8
# a day's say is that of its pairs, but never more than this many
_MOST_PAIRS = 150.0


class Models(NamedTuple):
    """The models of all pairs of trackers by station-day; `keys[m]` = (first tracker, second tracker, station-day)."""

    keys: list[tuple[int, int, int]]
    readings: ReadingModel
    labels: LabelModel | None


class DayFit(NamedTuple):
    """Outcome of stage 1: models before and after, what they were learned from, and where each unit's pairs were; `unbiased` (models,):
    those that found pairs only as if there were no bias."""

    start: ReadingModel
    unbiased: Bools
    models: Models
    same: SameFit
    fit: Fit
    places: list[Place]
    gaps: Gaps


def model_keys(units: list[Unit]) -> tuple[list[tuple[int, int, int]], Ints]:
    """(first tracker, second tracker, station-day) of every model, and which of them each unit uses: never falling."""
    keys = sorted({(*u.trackers, u.day) for u in units})
    place = {key: n for n, key in enumerate(keys)}
    return keys, np.array([place[(*u.trackers, u.day)] for u in units], dtype=np.int64)


def fit_days(records: Records, units: list[Unit], all_twice: bool = False) -> DayFit:
    """Stage 1: every tracker pair on every station-day by itself, from built-in priors.

    `all_twice`: also what is settled gets a second round; for trials, whose evidence is compared as it stands.
    """
    keys, which = model_keys(units)
    start = _start(records, keys)
    start, places = by_coincidence(records, units, which, start, locate(records, units, start, which))
    fit = _first_round(records, units, which, start, places)
    start, unbiased, places, fit = _as_if_unbiased(records, units, which, start, places, fit)
    prior = _start_prior(start)
    models, same = learn(records, units, which, Models(keys, start, None), prior, fit, trust=0.8)
    gaps, places = next_gaps(units, fit.cells), refined(units, places, fit.cells)
    places = with_steps(records, units, which, models[1:], fit.cells, places)
    again = unsettled(units, fit, places)
    places = relocated(records, units, which, models.readings, again, places)
    places = without_taken(units, fit, borrowed(records, units, which, models, gaps, fit, places))
    day_fit = DayFit(start, unbiased, models, same, fit, places, gaps)
    return _looked_at_again(records, units, which, prior, day_fit, again, all_twice)


def _first_round(records: Records, units: list[Unit], which: Ints, start: ReadingModel, places: list[Place]) -> Fit:
    gaps = start_gaps(len(units))
    return run_round(records, units, start, which, places, gaps, None, _first_reaches(units, places))


def _as_if_unbiased(
    records: Records, units: list[Unit], which: Ints, start: ReadingModel, places: list[Place], fit: Fit
) -> tuple[ReadingModel, Bools, list[Place], Fit]:
    """Pairs of trackers that found nothing once more as if they had no bias, where that finds a session beyond doubt.

    The difference of the day's medians is none where one of them saw a few arms only, a left-hander among right-handers. Those of the
    other arms look like pitches in common where these are some, too, but never most.
    """
    matched = _matched(which, fit, len(start.bias))
    lost = matched < _ENOUGH_FOR_A_CLOCK
    again = np.flatnonzero(lost[which])
    if not len(again):
        return start, lost, places, fit
    unbiased = start._replace(bias=np.where(lost[:, None], 0.0, start.bias))
    some, of = [units[u] for u in again], which[again]
    new_places = locate(records, some, unbiased, of)
    new = _first_round(records, some, of, unbiased, new_places)
    smaller = np.array([min(len(unit.first.rows), len(unit.second.rows)) for unit in some])
    found = np.bincount(new.cells.unit, new.cells.posterior, len(some))
    whole = (found > _MOST * smaller) & (found >= _ENOUGH_FOR_A_CLOCK) & (new.log_evidence > _SURE_OF_A_CLOCK)
    better = np.bincount(of, whole, len(matched)) > 0
    chosen = np.flatnonzero(better[of])
    return (
        start._replace(bias=np.where(better[:, None], unbiased.bias, start.bias)),
        better,
        _put(places, again[chosen], [new_places[u] for u in chosen]),
        fit.put(again[chosen], new.only(chosen)),
    )


def _matched(which: Ints, fit: Fit, models: int) -> Floats:
    """Expected pairs of each model."""
    return np.asarray(np.bincount(which[fit.cells.unit], fit.cells.posterior, models))


def _looked_at_again(
    records: Records, units: list[Unit], which: Ints, prior: Prior, first: DayFit, rough: Ints, all_twice: bool
) -> DayFit:
    """A second round for the pairs of trackers with a unit that the first one did not settle, or whose clock was set on the way.

    The outcome of the others stands: what they say of readings and labels changes by nothing that counts. Which ones they are depends
    on their own day only.
    """
    stepped = np.array([p.clock is not None and p.clock.segment[-1] > 0 for p in first.places], dtype=bool)
    again = np.flatnonzero(np.isin(which, which[np.union1d(rough, np.flatnonzero(stepped))]) | all_twice)
    some, of, places = [units[u] for u in again], which[again], [first.places[u] for u in again]
    reach_s = reaches(units, rough)[again]
    fit = run_round(
        records, some, first.models.readings, of, places, first.gaps.take(again), first.models.labels, reach_s
    )
    models, same = learn(records, some, of, first.models, prior, fit, trust=1.0)
    models = models._replace(readings=models.readings._replace(trust=np.ones(len(models.keys))))
    places = with_steps(records, some, of, models[1:], fit.cells, refined(some, places, fit.cells))
    spoken = np.isin(np.arange(len(models.keys)), of)
    return DayFit(
        first.start,
        first.unbiased,
        models,
        SameFit(*(np.where(spoken[:, None], new, old) for new, old in zip(same, first.same, strict=True))),
        first.fit.put(again, fit),
        _put(first.places, again, places),
        first.gaps.put(again, next_gaps(some, fit.cells)),
    )


def _put(places: list[Place], at: Ints, new: list[Place]) -> list[Place]:
    out = list(places)
    for u, place in zip(at.tolist(), new, strict=True):
        out[u] = place
    return out


def _first_reaches(units: list[Unit], places: list[Place]) -> Floats:
    """Near the path where the votes for it are many; what lies off it, past a step, is looked for among the leftovers."""
    per_record = np.array(
        [
            place.clock.score / min(len(unit.first.rows), len(unit.second.rows)) if place.clock is not None else 0.0
            for unit, place in zip(units, places, strict=True)
        ]
    )
    coarse = np.array([is_coarse(unit) for unit in units], dtype=bool)
    return np.where(per_record < np.where(coarse, 1.0, 2.0), ROUGH_S, np.where(coarse, FINE_S, CLOSE_S))


def reaches(units: list[Unit], rough: Ints) -> Floats:
    """How far from its clock path to look for a unit's pairs, seconds; `rough`: units whose path may still be wrong."""
    return np.where(np.isin(np.arange(len(units)), rough), ROUGH_S, FINE_S)


def unsettled(units: list[Unit], fit: Fit, places: list[Place]) -> Ints:
    """Units whose outcome another look may change: many records without a partner, or in doubt for what their clocks can tell, or paired
    against what the readings say, whose model must have been wrong."""
    matched = np.bincount(fit.cells.unit, fit.cells.posterior, len(units))
    sure = np.bincount(fit.cells.unit, fit.cells.posterior * (fit.cells.posterior > 0.99), len(units))
    smaller = np.array([min(len(u.first.rows), len(u.second.rows)) for u in units])
    clocks = [place.clock for place in places]
    fine = np.array([c is not None and c.sigma_s < 1.0 for c in clocks], dtype=bool)
    said = fit.cells.posterior * (fit.cells.readings + fit.cells.label)
    backed = np.bincount(fit.cells.unit, said, len(units)) > 0
    good = (matched > 0.75 * smaller) & (sure > np.where(fine, 0.9, 0.8) * matched) & backed
    return np.flatnonzero(~taken_elsewhere(units, fit) & (~good | (~fine & left_at_ends(units, fit.cells))))


def left_at_ends(units: list[Unit], cells: Cells) -> Bools:
    """Units where both streams have records before the first pair, or after the last: the clock may have been set in between."""
    told = np.flatnonzero(cells.posterior > 0.5)
    out = np.zeros(len(units), dtype=bool)
    for place, sizes in ((0, None), (1, [(len(u.first.rows), len(u.second.rows)) for u in units])):
        left = []
        for side, at in enumerate((cells.i[told], cells.j[told])):
            over = (
                at
                if place == 0
                else np.array([size[side] for size in sizes or []], dtype=np.int64)[cells.unit[told]] - 1 - at
            )
            least = np.full(len(units), 1 << 40)
            np.minimum.at(least, cells.unit[told], over)
            left.append((least > 0) & (least < 1 << 40))
        out |= left[0] & left[1]
    return out


def relocated(
    records: Records, units: list[Unit], which: Ints, model: ReadingModel, again: Ints, places: list[Place]
) -> list[Place]:
    """Some units located again with a better model."""
    out = list(places)
    for u, place in zip(
        again.tolist(), locate(records, [units[u] for u in again.tolist()], model, which[again]), strict=True
    ):
        out[u] = place
    return out


def by_coincidence(
    records: Records, units: list[Unit], which: Ints, start: ReadingModel, places: list[Place]
) -> tuple[ReadingModel, list[Place]]:
    """The start and the places where the readings are against every clock path: with the bias of the pairs that coincide in time.

    The difference of the day's medians is no bias where one tracker saw other arms besides, as a roaming one at two mounds.
    """
    score = np.array([place.clock.score if place.clock is not None else -np.inf for place in places])
    best = np.full(len(start.bias), -np.inf)
    np.maximum.at(best, which, score)
    bias, most = start.bias.copy(), np.zeros(len(start.bias))
    for u in np.flatnonzero((best[which] <= 0) & (score > -np.inf)).tolist():
        unit, m = units[u], int(which[u])
        if not is_coarse(unit):
            first, second = coincident_pairs(unit.first.seen_s, unit.second.seen_s)
            if len(first) > most[m]:
                most[m], metrics = len(first), model_metrics(start, m)
                d = differences(records.readings, unit.first.rows[first], unit.second.rows[second], metrics)
                bias[m, metrics] = np.nan_to_num(medians(d.T))
    start = start._replace(bias=bias)
    again = np.flatnonzero(most[which] > 0)
    return start, relocated(records, units, which, start, again, places) if len(again) else places


def borrowed(
    records: Records, units: list[Unit], which: Ints, models: Models, gaps: Gaps, fit: Fit, places: list[Place]
) -> list[Place]:
    """Units with too little in common to find a clock take that of the same trackers' other files of the day, the nearest in time.

    Pieces of one session overlap by a pitch or two only; and files of two sessions have nothing near such a clock path at all. But a
    clock can be set between two files: what a unit has found by itself stands where that explains so much more that it was.
    """
    lent = _lent(units, fit, places)
    asked = np.array(list(lent), dtype=np.int64)
    if not len(asked):
        return places
    some, of = [units[u] for u in asked], which[asked]
    reach_s = np.full(len(asked), FINE_S)

    def evidence(tried: list[Place]) -> Floats:
        return run_round(
            records, some, models.readings, of, tried, gaps.take(asked), models.labels, reach_s
        ).log_evidence

    own = evidence([places[u] for u in asked])
    moved = own > evidence([lent[u] for u in asked.tolist()]) + _MOVED_COST
    out = list(places)
    for u in asked[~moved].tolist():
        out[u] = lent[u]
    return out


def _lent(units: list[Unit], fit: Fit, places: list[Place]) -> dict[int, Place]:
    """By unit, the place that the nearest file with plenty of pairs would lend it."""
    matched = np.bincount(fit.cells.unit, fit.cells.posterior, len(units))
    strong: dict[tuple[tuple[int, int], int], list[int]] = {}
    for u, unit in enumerate(units):
        if places[u].clock is not None and matched[u] >= _ENOUGH_FOR_A_CLOCK and fit.log_evidence[u] > _SURE_OF_A_CLOCK:
            strong.setdefault((unit.trackers, unit.day), []).append(u)
    out: dict[int, Place] = {}
    for u, unit in enumerate(units):
        others = strong.get((unit.trackers, unit.day), [])
        if places[u].clock is not None and others and u not in others:
            middle = float(np.nanmean(unit.second.seen_s))
            nearest = min(others, key=lambda v: (np.nanmin(np.abs(units[v].second.seen_s - middle)), v))
            lent = places[nearest].clock
            assert lent is not None
            at = int(np.nanargmin(np.abs(units[nearest].second.seen_s - middle)))
            steady = np.zeros(len(unit.second.rows), dtype=np.int64)
            out[u] = Place(Clock(np.full(len(steady), lent.offset_s[at]), steady, lent.sigma_s, 0.0), None, True)
    return out


def without_taken(units: list[Unit], fit: Fit, places: list[Place]) -> list[Place]:
    """The places; nothing more to look for in clockless units whose records are taken elsewhere."""
    nothing = np.zeros(0, dtype=np.int64)
    empty = Place(None, Window(nothing, nothing, nothing, nothing))
    return [
        empty if taken and place.clock is None else place
        for taken, place in zip(taken_elsewhere(units, fit).tolist(), places, strict=True)
    ]


def taken_elsewhere(units: list[Unit], fit: Fit) -> Bools:
    """Units that are not one session, and one of whose streams has nearly all its partners in other units of the two trackers."""
    matched = np.bincount(fit.cells.unit, fit.cells.posterior, len(units))
    found: dict[tuple[tuple[int, int], int], float] = {}
    sides = [[(unit.trackers, stream) for stream in (unit.first_stream, unit.second_stream)] for unit in units]
    for u, keys in enumerate(sides):
        for key in keys:
            found[key] = found.get(key, 0.0) + float(matched[u])
    shares = [
        max(
            (found[key] - matched[u]) / len(stream.rows)
            for key, stream in zip(keys, (units[u].first, units[u].second), strict=True)
        )
        for u, keys in enumerate(sides)
    ]
    return np.asarray((fit.log_evidence < 0) & (np.array(shares) > _NEARLY_ALL))


def learn(
    records: Records, units: list[Unit], which: Ints, models: Models, prior: Prior, fit: Fit, trust: float
) -> tuple[Models, SameFit]:
    """The models after a round: one pitch's readings, neighbours' readings, labels. Models that no pair speaks of stay as they are."""
    cells = fit.cells
    live = np.flatnonzero(cells.posterior > 0.05)
    of, pairs = which[cells.unit[live]], (cells.first[live], cells.second[live], cells.posterior[live])
    same = fit_same(models.readings, prior, of, records.readings, pairs, steps=3)
    known = np.isin(np.arange(len(models.keys)), of)
    learned = {
        name: _kept(known, getattr(same, name), getattr(models.readings, name))
        for name in ("bias", "spread", "outlier_share", "weight")
    }
    model = models.readings._replace(**learned, trust=np.where(known, trust, models.readings.trust))
    near_unit, near_first, near_second = neighbours(units, cells)
    order = np.argsort(which[near_unit], kind="stable")
    order = order[_thinned(which[near_unit][order])]
    near, near_first, near_second = which[near_unit][order], near_first[order], near_second[order]
    model = fit_other(model, near, records.readings, near_first, near_second, steps=3)
    labels = fit_labels(len(models.keys), records.labels, (of, *pairs), (near, near_first, near_second))
    if models.labels is not None:
        labels = LabelModel(
            _kept(known, labels.same, models.labels.same), _kept(known, labels.other, models.labels.other)
        )
    return Models(models.keys, model, labels), same


def _kept(known: Bools, new: Floats, old: Floats) -> Floats:
    return np.where(known[:, None], new, old)


def _thinned(of: Ints) -> Ints:
    """Places of so many neighbours of each model as its mixture needs, evenly; `of` is sorted."""
    start = np.flatnonzero(np.diff(of, prepend=-1))
    size = np.diff(np.append(start, len(of)))
    place = np.arange(len(of)) - np.repeat(start, size)
    every = np.repeat(np.maximum(size // _MOST_NEIGHBOURS, 1), size)
    return np.flatnonzero(place % every == 0)


def neighbours(units: list[Unit], cells: Cells) -> tuple[Ints, Ints, Ints]:
    """(unit, first row, second row) of records next to a matched one: the only confusions that really happen."""
    sure = np.flatnonzero(cells.posterior > 0.5)
    size = np.array([len(u.second.rows) for u in units], dtype=np.int64)
    start = np.cumsum(size) - size
    all_second = np.concatenate([np.zeros(0, dtype=np.int64), *(u.second.rows for u in units)])
    unit = cells.unit[sure]
    at = cells.j[sure][:, None] + np.array(_NEIGHBOURS)
    pair, column = np.nonzero((at >= 0) & (at < size[unit][:, None]))
    return unit[pair], cells.first[sure][pair], all_second[start[unit[pair]] + at[pair, column]]


def _start(records: Records, keys: list[tuple[int, int, int]]) -> ReadingModel:
    """Bias: difference of the day's medians; spread: that of the readings of both trackers."""
    size = (len(keys), _K)
    bias, spread, known = np.zeros(size), np.ones(size), np.zeros(size, dtype=bool)
    owner = records.day * len(records.trackers) + records.tracker
    blocks = np.split(np.arange(len(owner)), np.flatnonzero(np.diff(owner)) + 1)
    by_owner = {int(owner[rows[0]]): middle_and_spread(records.readings[rows]) for rows in blocks if len(rows)}
    for n, (first, second, day) in enumerate(keys):
        (middle_a, spread_a, seen_a), (middle_b, spread_b, seen_b) = (
            by_owner[day * len(records.trackers) + tracker] for tracker in (first, second)
        )
        known[n] = (seen_a > 0) & (seen_b > 0)
        # between pitchers of both hands the mean direction of an axis says little: start without a bias
        bias[n] = np.where(known[n] & ~CIRCULAR, middle_b - middle_a, 0.0)
        pooled = np.sqrt((seen_a * spread_a**2 + seen_b * spread_b**2) / np.maximum(seen_a + seen_b, 1))
        spread[n] = np.where(known[n], np.maximum(pooled, np.where(CIRCULAR, 5.0, 1e-6)), 1.0)
    return start_model(bias, spread, known, trust=0.6)


def middle_and_spread(readings: Floats) -> tuple[Floats, Floats, Floats]:
    """Median, robust spread and number of the readings of one tracker's day, by metric; for an axis about its mean direction."""
    values = readings.T.copy()
    known = ~np.isnan(values)
    seen = known.sum(axis=1)
    for k in np.flatnonzero(CIRCULAR & (seen > 0)).tolist():
        turn = np.degrees(np.angle(np.exp(1j * np.radians(values[k, known[k]])).sum()))
        values[k] = (values[k] - turn + 180.0) % 360.0 - 180.0
    middle = _quantile(np.sort(values, axis=1), seen, 0.5)
    off = np.sort(np.abs(values - middle[:, None]), axis=1)
    squares = np.where(np.isnan(off), 0.0, off**2).sum(axis=1) / np.maximum(seen, 1)
    return middle, np.maximum(_quantile(off, seen, 0.68), 0.7 * np.sqrt(squares)), seen.astype(float)


def _quantile(ordered: Floats, seen: Ints, share: float) -> Floats:
    """A quantile of each row of sorted values (nan last), 0 where there are none."""
    at = np.maximum(np.floor((seen - 1) * share).astype(np.int64), 0)
    return np.where(seen > 0, ordered[np.arange(len(ordered)), at], 0.0)


def _start_prior(model: ReadingModel) -> Prior:
    pairs = np.ones_like(model.bias)
    return Prior(model.bias, model.spread, np.full_like(model.bias, 0.03), 2 * pairs, 6 * pairs)


def statistics_frame(records: Records, day_fit: DayFit) -> pl.DataFrame:
    """One row per pair and station-day: what stage 2 needs of a day; lists run over the metrics, kinds of neighbour and labels."""
    (keys, model, labels), same = day_fit.models, day_fit.same
    first_row = _first_rows(records)
    identity = [
        (records.trackers[a], records.trackers[b], *records.frame.row(first_row[day])[2:5]) for a, b, day in keys
    ]
    if labels is None or not keys:
        return pl.DataFrame(schema=STATISTICS)
    arrays = {
        **{name: getattr(same, name) for name in ("n", "bias", "spread", "outlier_share", "weight")},
        "wide": model.wide,
        "share": model.share,
        "other_mean": model.other_mean.reshape(len(keys), -1),
        "other_spread": model.other_spread.reshape(len(keys), -1),
        "label_same": labels.same,
        "label_other": labels.other,
    }
    columns = [pl.Series(name, _rounded(values), dtype=STATISTICS[name]) for name, values in arrays.items()]
    frame = pl.DataFrame(identity, schema={key: STATISTICS[key] for key in _KEYS}, orient="row")
    return frame.with_columns(columns).sort(_KEYS)


_TENS = np.array([float(f"1e{k}") for k in range(309)])


def _rounded(values: Floats) -> Floats:
    """Nine figures: the last bits of a sum may depend on how the work was cut into batches."""
    plain = np.isfinite(values) & (values != 0)
    power = 8 - np.floor(np.log10(np.abs(values), where=plain, out=np.zeros_like(values))).astype(np.int64)
    up, down = (_TENS[np.clip(p, 0, 308)] for p in (power, -power))
    return np.where(plain, np.rint(values * up / down) * down / up, values + 0.0)


def _first_rows(records: Records) -> dict[int, int]:
    days, rows = np.unique(records.day, return_index=True)
    return dict(zip(days.tolist(), rows.tolist(), strict=True))


class _History(NamedTuple):
    """A pair's statistics: their days, and arrays (days, ...)."""

    days: list[date]
    arrays: dict[str, Floats]


def pooled_models(
    records: Records, keys: list[tuple[int, int, int]], start: ReadingModel, statistics: pl.DataFrame
) -> tuple[Models, Prior]:
    """Stage 2: the model of every pair and station-day, from the statistics of the days that feed it, shrunk to the priors."""
    prior = Prior(*(column.copy() for column in _start_prior(start)))
    model = ReadingModel(*(column.copy() for column in start))
    history = {
        key: _History(frame["baseball_day"].to_list(), {name: frame[name].to_numpy() for name in _WIDTHS})
        for key, frame in statistics.sort(_KEYS).partition_by("tracker_a", "tracker_b", as_dict=True).items()
    }
    first_row, days = _first_rows(records), records.frame["baseball_day"].to_list()
    labels = LabelModel(np.full((len(keys), _L), 0.8), np.full((len(keys), _L), 0.5))
    alike: dict[tuple[tuple[str, str], tuple[int, ...]], list[int]] = {}
    for n, (a, b, day) in enumerate(keys):
        pair = (records.trackers[a], records.trackers[b])
        if pair in history:
            alike.setdefault((pair, feeding_days(history[pair].days, days[first_row[day]])), []).append(n)
    for (pair, feeding), rows in alike.items():
        fed = {name: values[list(feeding)] for name, values in history[pair].arrays.items()}
        _take(model, prior, labels, np.array(rows), _pooled(fed))
    return Models(keys, model._replace(trust=np.ones(len(keys))), labels), prior


def with_own_bias(models: Models, prior: Prior, own: SameFit) -> Models:
    """The pooled models with each day's own bias, as far as its pairs carry it."""
    bias = (own.n * own.bias + prior.bias_pairs * prior.bias) / (own.n + prior.bias_pairs)
    return models._replace(readings=models.readings._replace(bias=np.where(own.n > 0, bias, models.readings.bias)))


def _pooled(days: dict[str, Floats]) -> dict[str, Floats]:
    """Robust means over days, each counted by its pairs; `wander` is the variance of the days' bias beyond its own error."""
    by = np.minimum(days["n"], _MOST_PAIRS)
    whole = by.max(axis=1, keepdims=True)
    by_kind = np.tile(by, (1, COMPONENTS))
    total = np.maximum(by.sum(axis=0), 1e-9)
    bias = _weighted_median(days["bias"], by)
    between = ((days["bias"] - bias) ** 2 * by).sum(axis=0) / total
    error = (days["spread"] ** 2 / np.maximum(days["n"], 1.0) * by).sum(axis=0) / total
    count = (by > 0).sum(axis=0)
    share = (days["share"] * whole).sum(axis=0)
    return {
        "n": days["n"].sum(axis=0),
        "bias": bias,
        "spread": _weighted_median(days["spread"], by),
        **{name: (days[name] * by).sum(axis=0) / total for name in ("outlier_share", "weight", "wide")},
        "share": share / max(share.sum(), 1e-9),
        "other_mean": _weighted_median(days["other_mean"], by_kind),
        "other_spread": _weighted_median(days["other_spread"], by_kind),
        **{name: _weighted_median(days[name], np.tile(whole, (1, _L))) for name in ("label_same", "label_other")},
        "wander": np.maximum(between - error, 0.0) * count / np.maximum(count - 1, 1),
    }


def _weighted_median(values: Floats, weights: Floats) -> Floats:
    """Per column, the value at which half of the weight is reached."""
    order = np.argsort(values, axis=0, kind="stable")
    reached = np.cumsum(np.take_along_axis(weights, order, axis=0), axis=0)
    at = (reached >= reached[-1] / 2).argmax(axis=0)
    columns = np.arange(values.shape[1])
    return np.asarray(values[order[at, columns], columns])


def _take(model: ReadingModel, prior: Prior, labels: LabelModel, n: Ints, pooled: dict[str, Floats]) -> None:
    """Write the pooled statistics of models that the same days feed into their rows."""
    known = (pooled["n"] > 0.5) & (model.wide[n] > 0)
    keep = pooled["n"] / (pooled["n"] + 6)
    spread = np.sqrt(keep * pooled["spread"] ** 2 + (1 - keep) * prior.spread[n] ** 2)
    wander = np.maximum(pooled["wander"], 1e-12)
    for target, values in (
        (model.bias, pooled["bias"]),
        (model.spread, spread),
        (model.outlier_share, pooled["outlier_share"]),
        (model.weight, pooled["weight"]),
        (model.wide, pooled["wide"]),
        (prior.bias_pairs, np.clip(pooled["spread"] ** 2 / wander, 4.0, 60.0)),
        (prior.spread_pairs, np.clip(pooled["n"], 6.0, 60.0)),
    ):
        target[n] = np.where(known, values, target[n])
    for target, values in (
        (prior.bias, model.bias),
        (prior.spread, model.spread),
        (prior.outlier_share, model.outlier_share),
    ):
        target[n] = values[n]
    for target, name in ((model.other_mean, "other_mean"), (model.other_spread, "other_spread")):
        target[n] = np.where(known[:, None], pooled[name].reshape(COMPONENTS, -1), target[n])
    if pooled["share"].sum() > 0.5:
        model.share[n] = pooled["share"]
    labels.same[n] = np.maximum(pooled["label_same"], np.minimum(pooled["label_other"], 0.995))
    labels.other[n] = pooled["label_other"]
