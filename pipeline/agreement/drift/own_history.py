"""A tracker against its own pitchers' earlier nights: for readings that too few of the other trackers give.

A pitcher's release point wanders little from outing to outing, and one pitcher's wandering says nothing of another's. Where several
pitchers' readings move together, by as much and the same way, it is the device that moved: it was set up anew, turned, or shoved. Speed
and spin are another matter: cold, rest and a season's build-up move many arms together, so there the chart asks for twice as many pitchers
and never says that the device is at fault.

Every outing is a pitcher's readings on one night, taken against his earlier outings on the same tracker. The spread of outings is
estimated from successive outings on all trackers, robustly. A night is tested for a change on any of the RECENT nights up to it
(likelihood ratio over all dates; Bonferroni over the dates), each pitcher's part bounded, so that no one or two pitchers can make an
alarm. Method: change-point tests of Hawkins, Qiu & Kang, J Quality Technology 2003;35:355, on differences within pitchers.
"""

import math
from collections.abc import Mapping
from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.agreement.drift.charts import DATED_WITHIN, RECENT, credible, most_within
from pipeline.agreement.facts.readings import Placed

POSITIONS = ("release_side_ft", "release_height_ft", "extension_ft")
PACE = ("release_speed_mph", "spin_rate_rpm")
CHARTED = (*POSITIONS, *PACE)
# For the setup: where the ball crossed the plate says whether a frame was turned or shifted.
PLATE = ("plate_side_ft", "plate_height_ft")
# So many pitchers must have moved together (common practice, no source).
LEAST_PITCHERS = dict.fromkeys(POSITIONS, 3) | dict.fromkeys(PACE, 6)
LEAST_PITCHES = 5
# How far a pitcher's earlier outings reach back, in nights of the tracker.
BACK = 60
# One pitcher's outing counts at most this many SDs of an outing.
CLIP = 3.0
# Of the pitchers so many must have moved the same way, by a third of the whole or more.
TOGETHER = 2 / 3
# Back to the usual level is what a device does that is set up anew each night: it needs less proof.
RETURN_P, RETURN_PITCHERS = 0.01, 2
# An SD by squared steps that count at most 2 SDs each: what they come to for normal steps, and how well it is known against plain squares.
_STEP_CLIP, _CLIPPED_SQUARE, _EFFICIENCY = 2.0, 0.9205, 0.88
# So many times must pitchers have come again before anything is said.
LEAST_STEPS = 8
_PRIOR_PAIRS, _ROUNDS, _SOME = 20, 8, 1e-9


class Season(NamedTuple):
    """One tracker and metric: a value and its variance within the outing by night and pitcher (nan = none), and the pitches."""

    tracker: str
    metric: str
    days: list[date]
    value: np.ndarray
    within: np.ndarray
    pitches: np.ndarray


class Wander(NamedTuple):
    """SD of a pitcher's outings about his own level, the degrees of freedom it is known with, and the part that a night's pitchers share."""

    sd: float
    df: float
    shared: float


class Level(NamedTuple):
    """What readings lie off the same pitchers' earlier ones: mean, its standard error, pitchers."""

    mean: float
    se: float
    pitchers: int


class Moved(NamedTuple):
    """A change: the night that gave it away, the first night after it, and the first and last it may be (95 %)."""

    seen: int
    start: int
    earliest: int
    latest: int


class Night(NamedTuple):
    """One night of a chart: its own level, the level since the last change, the chance of as clear a change, and the change that is live."""

    own: Level
    level: Level
    change_p: float
    moved: Moved | None


def outing_facts(seen: Placed) -> pl.DataFrame:
    """One row per tracker, night, pitcher and pitch type: `n.<metric>`, `centre.<metric>` (median), `spread.<metric>` (1.4826 MAD).

    A night's rows come from that night's sightings only. Pitchers that are not on the roster are left out: one label may be two people.
    """
    names = [name for name in (*CHARTED, *PLATE) if name in seen.sightings.columns]
    by = ["baseball_day", "pitcher", "pitch_type"]
    thrown = seen.thrown.select("baseball_day", pl.col("pitcher_id").alias("pitcher"), "pitch_type")
    # a number for each outing's pitches of one type: cheaper to group by than three names
    kinds = thrown.with_columns(kind=pl.struct(by).rank("dense"))
    kind = pl.when(kinds["pitcher"].is_not_null()).then(kinds["kind"])
    of_pitch = kinds.select(kind.alias("kind"))["kind"]
    read = seen.sightings.select("tracker", *names, kind=of_pitch.gather(seen.sightings["group"])).drop_nulls("kind")
    facts = read.group_by("tracker", "kind").agg(_facts(names))
    named = facts.join(kinds.unique("kind"), on="kind").select("tracker", *by, pl.exclude("tracker", "kind", *by))
    return named.sort("tracker", *by)


def seasons_of(outings: pl.DataFrame) -> dict[tuple[str, str], Season]:
    """The seasons by (tracker, metric) of facts as `outing_facts` gives them."""
    names = [name.removeprefix("n.") for name in outings.columns if name.startswith("n.")]
    seasons = {}
    for (tracker,), facts in outings.group_by("tracker", maintain_order=True):
        for metric in names:
            held = facts.filter(pl.col(f"n.{metric}") > 0)
            if held.height:
                seasons[str(tracker), metric] = _season(str(tracker), metric, held)
    return seasons


def wander_of(seasons: Mapping[tuple[str, str], Season], metric: str) -> Wander | None:
    """How far outings of one pitcher lie apart, from successive outings on all trackers; None where too few pitchers came twice."""
    steps = [_steps(season.value, season.within) for key, season in sorted(seasons.items()) if key[1] == metric]
    if not steps or max(len(distances) for distances, _ in steps) < LEAST_STEPS:
        return None
    sd = outing_sd(*(np.concatenate(part) for part in zip(*steps, strict=True)))
    # trackers see the same outings, so the one that saw most says how many there are
    known = _EFFICIENCY * max(len(distances) for distances, _ in steps)
    return Wander(sd, known, _shared([season for key, season in sorted(seasons.items()) if key[1] == metric], sd))


def watch_history(season: Season, wander: Wander, change_p: float) -> list[Night]:
    """Read a tracker's chart night by night: `change_p` is the chance by which an undisturbed night may look as clear a change."""
    usual, base, since, moved = np.ones(len(season.days), bool), 0, 1, None
    sums, nights = _sums(season, wander, usual), list[Night]()
    for night in range(len(season.days)):
        if moved is not None and night - moved.start > moved.start - base:
            # what has lasted longest is the usual level: history begins anew with it
            base, since, moved = moved.start, moved.start + 1, None
        if moved is not None and (back := _left(season, wander, sums, base, moved, night, change_p)) is not None:
            usual[moved.start : back] = False
            sums, since, moved = _sums(season, wander, usual), back, None
            # in hindsight it was as usual from that night on
            nights[back:] = [_night(wander, sums, base, past, math.nan, None) for past in range(back, night)]
        chance = math.nan
        if moved is None:
            chance, found = _change(season, wander, sums, base, since, night)
            if found is not None and chance < change_p and _stands(season, wander, usual, base, since, found, change_p):
                moved = found
        nights.append(_night(wander, sums, base, night, chance, moved))
    return nights


def shift_between(season: Season, wander: Wander, before: set[date], after: set[date]) -> Level:
    """How much the same pitchers read otherwise on the days `after` than on those `before`."""
    first, second = (np.array([day in days for day in season.days]) for days in (before, after))
    seen = np.isfinite(season.value)
    weight = np.where(seen, 1 / (wander.sd**2 + np.where(seen, season.within, 1.0)), 0.0)
    value = weight * np.where(seen, season.value, 0.0)
    past, now = ((weight[days].sum(axis=0)[None], value[days].sum(axis=0)[None]) for days in (first, second))
    outings = seen[second].sum(axis=1)
    return _level(_pooled(wander, past, now, np.array([outings.sum()]), np.array([(outings**2).sum()])))


class _Sums(NamedTuple):
    """Running sums by night: weights and weighted values by pitcher, of nights that count as history too, and outings with their squares."""

    weight: np.ndarray
    value: np.ndarray
    past_weight: np.ndarray
    past_value: np.ndarray
    outings: np.ndarray
    crowding: np.ndarray


class _Pooled(NamedTuple):
    """By window: mean shift of the pitchers, its variance, a score in which no pitcher counts for much, pitchers, the share that moved alike, and
    how much better the shift fits than none (half the fall in squared scores, each bounded)."""

    mean: np.ndarray
    variance: np.ndarray
    score: np.ndarray
    pitchers: np.ndarray
    together: np.ndarray
    gain: np.ndarray


def _sums(season: Season, wander: Wander, usual: np.ndarray) -> _Sums:
    seen = np.isfinite(season.value)
    weight = np.where(seen, 1 / (wander.sd**2 + np.where(seen, season.within, 1.0)), 0.0)
    value, outings = weight * np.where(seen, season.value, 0.0), seen.sum(axis=1)
    counted = usual[:, None]
    columns = (weight, value, weight * counted, value * counted, outings, outings**2)
    return _Sums(*(np.concatenate([np.zeros((1, *column.shape[1:])), np.cumsum(column, axis=0)]) for column in columns))


def _pool(wander: Wander, sums: _Sums, before: int, start: np.ndarray, end: int) -> _Pooled:
    """The pitchers' shifts from the history before each `start` (BACK nights of it, from `before` on) to the nights start..end-1."""
    first = np.maximum(start - BACK, before)
    past, now = sums.past_weight[start] - sums.past_weight[first], sums.weight[end] - sums.weight[start]
    return _pool_over(
        wander,
        sums,
        (past, sums.past_value[start] - sums.past_value[first]),
        (now, sums.value[end] - sums.value[start]),
        start,
        end,
    )


def _pool_over(
    wander: Wander,
    sums: _Sums,
    past: tuple[np.ndarray, np.ndarray],
    now: tuple[np.ndarray, np.ndarray],
    start: np.ndarray,
    end: int | np.ndarray,
) -> _Pooled:
    """`past` and `now` hold weights and weighted values, windows x pitchers; the windows are the nights start..end-1."""
    return _pooled(
        wander, past, now, sums.outings[end] - sums.outings[start], sums.crowding[end] - sums.crowding[start]
    )


def _pooled(
    wander: Wander,
    past: tuple[np.ndarray, np.ndarray],
    now: tuple[np.ndarray, np.ndarray],
    outings: np.ndarray,
    crowding: np.ndarray,
) -> _Pooled:
    """`outings` of each window and the sum of their squares by night say how many pitchers share a night's part."""
    both = (past[0] > _SOME) & (now[0] > _SOME)
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = np.where(both, now[1] / now[0] - past[1] / past[0], 0.0)
        weight = np.where(both, 1 / (1 / past[0] + 1 / now[0]), 0.0)
        total = weight.sum(axis=1)
        root = np.sqrt(weight)
        inflation = 1 + wander.shared * np.maximum(crowding / np.maximum(outings, 1.0) - 1, 0.0)
        middle = _weighted_medians(shift, weight)
        near = middle[:, None] + np.clip((shift - middle[:, None]) * root, -CLIP, CLIP) / np.where(both, root, 1.0)
        mean = (weight * near).sum(axis=1) / total
        score = (root * np.clip(shift * root, -CLIP, CLIP)).sum(axis=1) / np.sqrt(total * inflation)
        alike = (both & (shift * np.sign(mean)[:, None] > np.abs(mean)[:, None] / 3)).sum(axis=1) / both.sum(axis=1)
        worse, left = (np.minimum((off * root) ** 2, CLIP**2) for off in (shift, shift - mean[:, None]))
        gain = np.where(both, worse - left, 0.0).sum(axis=1) / 2
    return _Pooled(mean, inflation / np.where(total > 0, total, math.nan), score, both.sum(axis=1), alike, gain)


def _change(
    season: Season, wander: Wander, sums: _Sums, base: int, since: int, night: int
) -> tuple[float, Moved | None]:
    """The chance of as clear a change as there is on any of the last nights, all of them tried, and the change."""
    places = np.arange(max(since, night - RECENT + 1), night + 1)
    places = places[_informs(sums, base, places)]
    if not len(places):
        return math.nan, None
    tests = _pool(wander, sums, base, places, night + 1)
    enough = tests.pitchers >= LEAST_PITCHERS[season.metric]
    if not enough.any():
        return math.nan, None
    alarming = enough & (tests.together >= TOGETHER)
    chances = np.where(alarming, _two_sided(tests.score, wander.df) * enough.sum(), 1.0)
    gain = np.where(alarming, tests.gain, -math.inf)
    return min(float(chances.min()), 1.0), _dated(
        gain, tests.variance, places, since, night
    ) if alarming.any() else None


def _dated(gain: np.ndarray, variance: np.ndarray, places: np.ndarray, since: int, night: int) -> Moved:
    """The place as in charts.change_point; a change may have come with any night since the last one that tells, so the first it may be is then."""
    posterior = np.exp(gain - gain.max()) * np.sqrt(variance)
    posterior = posterior / posterior.sum()
    best, (first, last) = most_within(posterior, DATED_WITHIN), credible(posterior)
    first, last = min(first, best), max(last, best)
    earliest = int(places[first - 1]) + 1 if first else since
    return Moved(night, int(places[best]), min(earliest, int(places[first])), int(places[last]))


def _informs(sums: _Sums, base: int, places: np.ndarray) -> np.ndarray:
    """Nights on which a pitcher threw that had thrown before: other nights can't tell one level from another."""
    threw = sums.weight[places + 1] - sums.weight[places] > _SOME
    return np.asarray(
        (threw & (sums.past_weight[places] - sums.past_weight[np.maximum(places - BACK, base)] > _SOME)).any(axis=1)
    )


def _stands(
    season: Season, wander: Wander, usual: np.ndarray, base: int, since: int, found: Moved, change_p: float
) -> bool:
    """Whether the change is still as clear by the tracker's own spread of outings, which may be wider than that of all trackers."""
    level = float(_pool(wander, _sums(season, wander, usual), base, np.array([found.start]), found.seen + 1).mean[0])
    straight = season.value[: found.seen + 1].copy()
    straight[found.start :] -= level
    straight[~usual[: found.seen + 1]] = math.nan
    steps, within = _steps(straight, season.within[: found.seen + 1])
    if len(steps) < LEAST_STEPS:
        return True
    own = outing_sd(steps, within)
    if own <= wander.sd:
        return True
    wider = wander._replace(sd=own)
    return _change(season, wider, _sums(season, wider, usual), base, since, found.seen)[0] < change_p


def _left(
    season: Season, wander: Wander, sums: _Sums, base: int, moved: Moved, night: int, change_p: float
) -> int | None:
    """The night from which a moved tracker reads as usual again, or otherwise anew; None while it does as it did."""
    places = np.arange(moved.start + 1, night + 1)
    first = max(moved.start - BACK, base)
    past = (
        sums.past_weight[moved.start] - sums.past_weight[first],
        sums.past_value[moved.start] - sums.past_value[first],
    )
    places = places[((sums.weight[places + 1] - sums.weight[places] > _SOME) & (past[0] > _SOME)).any(axis=1)]
    if not len(places):
        return None
    here = np.full(len(places), moved.start)
    old = _pool_over(
        wander,
        sums,
        past,
        (sums.weight[places] - sums.weight[here], sums.value[places] - sums.value[here]),
        here,
        places,
    )
    new = _pool_over(
        wander,
        sums,
        past,
        (sums.weight[night + 1] - sums.weight[places], sums.value[night + 1] - sums.value[places]),
        places,
        night + 1,
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        score = (new.mean - old.mean) / np.sqrt(new.variance + old.variance)
        is_usual = np.abs(new.mean) < 2 * np.sqrt(new.variance)
    told = (old.pitchers > 0) & (new.pitchers >= np.where(is_usual, RETURN_PITCHERS, LEAST_PITCHERS[season.metric]))
    chances = np.where(told, _two_sided(np.nan_to_num(score), wander.df) * max(told.sum(), 1), 1.0)
    surprising = chances / np.where(is_usual, RETURN_P, change_p)
    return int(places[surprising.argmin()]) if surprising.min() < 1 else None


def _night(wander: Wander, sums: _Sums, base: int, night: int, chance: float, moved: Moved | None) -> Night:
    start = night if moved is None else moved.start
    first = max(start - BACK, base)
    past = (sums.past_weight[start] - sums.past_weight[first], sums.past_value[start] - sums.past_value[first])
    here = np.array([night])
    now = (sums.weight[here + 1] - sums.weight[here], sums.value[here + 1] - sums.value[here])
    own = _level(_pool_over(wander, sums, past, now, here, night + 1))
    level = (
        Level(0.0, 0.0, own.pitchers)
        if moved is None
        else _level(_pool(wander, sums, base, np.array([start]), night + 1))
    )
    return Night(own, level, chance, moved)


def _level(pooled: _Pooled) -> Level:
    return Level(float(pooled.mean[0]), math.sqrt(float(pooled.variance[0])), int(pooled.pitchers[0]))


def _weighted_medians(values: np.ndarray, weights: np.ndarray) -> np.ndarray:
    order = np.argsort(np.where(weights > 0, values, math.inf), axis=1, kind="stable")
    ordered = np.take_along_axis(weights, order, axis=1).cumsum(axis=1)
    # half of the weight below and half above: the mean of both middle ones where it falls between them
    low, high = ((ordered >= share * ordered[:, -1:]).argmax(axis=1) for share in (0.5 - 1e-9, 0.5 + 1e-9))
    sorted_values = np.take_along_axis(values, order, axis=1)
    rows = np.arange(len(values))
    return np.asarray((sorted_values[rows, low] + sorted_values[rows, high]) / 2)


def _two_sided(scores: np.ndarray, df: float) -> np.ndarray:
    from scipy.special import stdtr

    return np.asarray(2 * stdtr(df, -np.abs(scores)))


def _facts(names: list[str]) -> list[pl.Expr]:
    facts = []
    for name in names:
        held = pl.col(name).drop_nulls()
        spread = 1.4826 * (held - held.median()).abs().median()
        facts += [held.len().alias(f"n.{name}"), held.median().alias(f"centre.{name}"), spread.alias(f"spread.{name}")]
    return facts


def _season(tracker: str, metric: str, facts: pl.DataFrame) -> Season:
    """Nights x pitchers; an outing's value is the mean of its pitch types, each with what the pitcher's type usually differs taken out."""
    n, centre = facts[f"n.{metric}"].to_numpy().astype(float), facts[f"centre.{metric}"].to_numpy()
    night, pitcher = (facts[name].rank("dense").to_numpy().astype(int) - 1 for name in ("baseball_day", "pitcher"))
    kind = facts.select(pl.struct("pitcher", "pitch_type").rank("dense")).to_series().to_numpy().astype(int) - 1
    shape = (night.max() + 1, pitcher.max() + 1)
    outing = night * shape[1] + pitcher
    value, usual = np.zeros(shape[0] * shape[1]), np.zeros(kind.max() + 1)
    counts, of_kind = np.bincount(outing, n, len(value)), np.bincount(kind, n)
    with np.errstate(invalid="ignore", divide="ignore"):
        for _ in range(_ROUNDS):
            value = np.bincount(outing, n * (centre - usual[kind]), len(value)) / counts
            usual = np.bincount(kind, n * (centre - value[outing])) / of_kind
        spread = float(np.average(facts[f"spread.{metric}"].to_numpy(), weights=n))
        # a median's variance is half as large again as a mean's
        within = 1.571 * spread**2 / counts
    few = counts < LEAST_PITCHES
    value, within = np.where(few, math.nan, value), np.where(few, math.nan, within)
    days = facts["baseball_day"].unique().sort().to_list()
    return Season(tracker, metric, days, value.reshape(shape), within.reshape(shape), counts.reshape(shape).astype(int))


def _steps(value: np.ndarray, within: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """From each outing to the same pitcher's next: distances, and the variances that the pitches within the two outings give them."""
    pitcher, night = np.nonzero(np.isfinite(value.T))
    same = pitcher[1:] == pitcher[:-1]
    values, variances = value[night, pitcher], within[night, pitcher]
    return np.abs(np.diff(values))[same], (variances[1:] + variances[:-1])[same]


def outing_sd(steps: np.ndarray, within: np.ndarray) -> float:
    """SD of outings about each pitcher's level, from steps between successive outings and the variance that pitches give them; Huber's proposal 2."""
    low, high = 0.0, float(steps.max()) + 1e-12
    for _ in range(40):
        middle = (low + high) / 2
        squares = np.minimum(steps**2 / (2 * middle**2 + within + 1e-18), _STEP_CLIP**2)
        low, high = (middle, high) if squares.mean() > _CLIPPED_SQUARE else (low, middle)
    return (low + high) / 2


def _shared(seasons: list[Season], sd: float) -> float:
    """The part of an outing's variance that pitchers of one night share: by how often two of a night moved the same way, few pairs pulling to 0."""
    alike = pairs = 0.0
    for season in seasons:
        last = np.full(season.value.shape[1], math.nan)
        for row in season.value:
            moved = np.sign((row - last)[np.isfinite(row - last)])
            both, total = len(moved) * (len(moved) - 1) / 2, float(moved.sum())
            alike, pairs = alike + (total**2 - float((moved**2).sum())) / 2, pairs + both
            last = np.where(np.isfinite(row), row, last)
    # of normal steps that correlate by r the signs' products average 2/pi asin r; each step has the shared part once in two outings
    return min(max(2 * math.sin(math.pi / 2 * alike / (pairs + _PRIOR_PAIRS)), 0.0), 1.0) if sd > 0 else 0.0
