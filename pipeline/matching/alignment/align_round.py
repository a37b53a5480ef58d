"""From a model of readings to posteriors: where to look, evidence inside the bands, alignment, competing units."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from pipeline.matching.alignment.bands import (
    Bands,
    Cells,
    Window,
    chain_window,
    closed_window,
    heaviest_chain,
    is_coarse,
    join_windows,
    pinned_window,
    shared_window,
    timed_window,
    whole_window,
)
from pipeline.matching.alignment.blocks import align_cells
from pipeline.matching.alignment.forward_backward import Steps
from pipeline.matching.clocks.search import (
    COARSE_S,
    Clock,
    Votes,
    box_density,
    collect_votes,
    density,
    find_clocks,
    path_cost,
    refine,
)
from pipeline.matching.data.arrays import Bools, Floats, Ints
from pipeline.matching.data.records import Records, Unit
from pipeline.matching.evidence.labels import LabelModel, label_evidence
from pipeline.matching.evidence.readings import CIRCULAR, ReadingModel, log_ratio, model_metrics

Said = tuple[list[tuple[int, int]], set[tuple[int, int]]]

# how far from the clock path a partner is looked for: where the path is in doubt, once it is settled, where it is plain at first sight,
# and with coarse stamps
ROUGH_S, FINE_S, CLOSE_S, COARSE_BAND_S = 75.0, 12.0, 4.0, 150.0
_START_OPEN, _START_EXTEND = 1.5 / 30, 6 / 10
_TURN = 1.5
_CROSSING_COST, _CROSSING_COST_UNTIMED = 2.0, 5.0
_FREE_END = float(np.exp(-0.015))
# density per second of a stamp that is off by anything: one in 3,000, anywhere in two hours; a guess, no source
_GLITCH = 5e-8
# two false records of two trackers mostly follow the same pitch, within some ten seconds (so many per second), and sooner than the next
# pitch does; common practice, no source
_AFTER_A_PITCH = 0.1
# beside a step that can bring two neighbours to one time: so many per second, for each of the two offsets somewhere within a minute; a
# guess, no source
_BESIDE_STEP = 2 / 60
# cost of two steps of a clock with one pitch in between, against one step (natural log): a guess, no source
_SET_AGAIN = 6.0
# what a person's decision adds to the evidence of a pair (natural log)
_DECIDED = 40.0
# a clock path must beat no common pitch by this much to speak for one session (method page, section 4)
_CLOCK_MARGIN = 12.0
# records on both sides of the first alignment's path that stay in the band when there is no clock
_MARGIN, _PLAIN_MARGIN, _CLOSE_MARGIN = 8, 3, 5
# pairs of a unit small enough to look at all of them
_SMALL = 400
# a pair this sure pins the order down: the others are looked for between the second such pair before and the second after
_PINNED, _PINNED_EVIDENCE, _PINS = 0.99, 6.0, 2
_QUICK_METRICS = 5
# evidence that a pair must have to join the first chain, and the mean gain per record of a chain to be trusted
_CHAIN_COST, _CHAIN_STANDS_OUT, _CHAIN_PLAIN = 1.0, 1.0, 1.6


class Gaps(NamedTuple):
    """Chances that a run of records seen by one tracker only begins and goes on, per unit: (units, 2), [first only, second only]."""

    begin: Floats
    extend: Floats

    def take(self, units: Ints) -> "Gaps":
        """Those of some units."""
        return Gaps(self.begin[units], self.extend[units])

    def put(self, units: Ints, new: "Gaps") -> "Gaps":
        """The same with those of some units replaced."""
        begin, extend = self.begin.copy(), self.extend.copy()
        begin[units], extend[units] = new.begin, new.extend
        return Gaps(begin, extend)


class Place(NamedTuple):
    """Where to look for a unit's pairs: along the clock path, inside a window of the alignment, or both; `lent`: the clock is another
    unit's, and was not looked for in these streams."""

    clock: Clock | None
    window: Window | None
    lent: bool = False

    @property
    def is_empty(self) -> bool:
        """Nothing is to be looked for."""
        return self.window is not None and not len(self.window.rows)


class Fit(NamedTuple):
    """Result of a round: cells with posteriors, log evidence that each unit is one session, and the probability of that."""

    cells: Cells
    log_evidence: Floats
    same_session: Floats

    def put(self, units: Ints, new: "Fit") -> "Fit":
        """The same with the outcome of some units replaced; rows and columns of the bands mean nothing any more."""
        old = np.flatnonzero(~np.isin(self.cells.unit, units))
        own = new.cells._replace(unit=units[new.cells.unit])
        order = np.argsort(np.concatenate([self.cells.unit[old], own.unit]), kind="stable")
        cells = Cells(*(np.concatenate([a[old], b])[order] for a, b in zip(self.cells, own, strict=True)))
        log_evidence, same_session = self.log_evidence.copy(), self.same_session.copy()
        log_evidence[units], same_session[units] = new.log_evidence, new.same_session
        return Fit(cells, log_evidence, same_session)

    def only(self, units: Ints) -> "Fit":
        """The outcome of some units, ascending, by their place among these."""
        mine = np.flatnonzero(np.isin(self.cells.unit, units))
        cells = self.cells._replace(**{name: getattr(self.cells, name)[mine] for name in Cells._fields})
        cells = cells._replace(unit=np.searchsorted(units, cells.unit))
        return Fit(cells, self.log_evidence[units], self.same_session[units])


def start_gaps(units: int) -> Gaps:
    """The priors: a run of 2.5 records begins after every 20th."""
    return Gaps(np.full((units, 2), _START_OPEN), np.full((units, 2), _START_EXTEND))


def locate(records: Records, units: list[Unit], model: ReadingModel, which: Ints) -> list[Place]:
    """The clock path of units with clocks, by the votes of all pairs; for the others a window around a first alignment."""
    places: list[Place] = [Place(None, None)] * len(units)
    timed, votes, untimed, rough = [], list[Votes](), [], []
    for u, unit in enumerate(units):
        evidence = quick_evidence(records, unit, model, int(which[u]))
        if np.isnan(unit.resolution_s):
            untimed.append(u)
            rough.append(evidence)
            continue
        timed.append(u)
        votes.append(
            collect_votes(
                unit.first.seen_s, unit.second.seen_s, evidence, (unit.first.resolution_s, unit.second.resolution_s)
            )
        )
    for u, clock in zip(timed, find_clocks(votes), strict=True):
        places[u] = Place(clock, None)
    for u, window in zip(untimed, _first_windows([units[u] for u in untimed], rough), strict=True):
        places[u] = Place(None, window)
    return places


def quick_evidence(records: Records, unit: Unit, model: ReadingModel, m: int) -> Floats:
    """A rough log ratio for all pairs of a unit, from its most telling metrics: enough to find the clock or the path."""
    a, b = records.readings[unit.first.rows], records.readings[unit.second.rows]
    total = np.zeros((len(a), len(b)), dtype=np.float32)
    telling = _most_telling(model, m, a, b)
    read_a, read_b = (a[:, telling] + model.bias[m, telling]).T, b[:, telling].T
    known_a, known_b = ~np.isnan(read_a), ~np.isnan(read_b)
    first, second = (np.where(known, x, 0.0).astype(np.float32) for known, x in ((known_a, read_a), (known_b, read_b)))
    for n, k in enumerate(telling):
        d = second[n] - first[n][:, None]
        if CIRCULAR[k]:
            d -= np.rint(d * np.float32(1 / 360)) * np.float32(360)
        spread, wide = model.spread[m, k], float(model.other_spread[m, :, k].mean())
        say = model.trust[m] * model.weight[m, k]
        np.multiply(d, d, out=d)
        d *= np.float32(say * (0.5 / wide**2 - 0.5 / spread**2))
        d += np.float32(say * np.log(wide / spread))
        # a row of them: with a single number, numpy's maximum takes four times as long
        np.maximum(d, np.full(len(b), -3.0 * say, dtype=np.float32), out=d)
        d[~known_a[n]] = 0.0
        d[:, ~known_b[n]] = 0.0
        total += d
    return total


def _most_telling(model: ReadingModel, m: int, a: Floats, b: Floats) -> list[int]:
    metrics = model_metrics(model, m)
    known = (~np.isnan(a[:, metrics])).mean(axis=0) * (~np.isnan(b[:, metrics])).mean(axis=0)
    gain = (
        known
        * model.weight[m, metrics]
        * np.log(np.maximum(model.other_spread[m, 1, metrics] / model.spread[m, metrics], 1.0))
    )
    best = np.argsort(-gain, kind="stable")[:_QUICK_METRICS]
    return [int(metrics[k]) for k in best if gain[k] > 0]


def _first_windows(units: list[Unit], evidence: list[Floats]) -> list[Window]:
    """Without clocks: the surroundings of the heaviest chain of pairs, or everything where no chain stands out."""
    return [_around_chain(unit, e) for unit, e in zip(units, evidence, strict=True)]


def _around_chain(unit: Unit, evidence: Floats) -> Window:
    if evidence.size <= _SMALL:
        return whole_window(unit)
    i, j, weight = heaviest_chain(np.maximum(evidence - _CHAIN_COST, 0.0))
    if weight < _CHAIN_STANDS_OUT * min(evidence.shape):
        return whole_window(unit)
    return chain_window(i, j, evidence.shape, _MARGIN if weight < _CHAIN_PLAIN * min(evidence.shape) else _PLAIN_MARGIN)


def run_round(
    records: Records,
    units: list[Unit],
    model: ReadingModel,
    which: Ints,
    places: list[Place],
    gaps: Gaps,
    labels: LabelModel | None,
    reach_s: Floats,
    said: Said = ([], set()),
) -> Fit:
    """Evidence inside the bands, alignment, and the posterior of each pair.

    `reach_s` of each unit: how far from the clock path to look; `said`: rows that people called one pitch, or not.
    """
    windows = [_window(unit, place, reach) for unit, place, reach in zip(units, places, reach_s.tolist(), strict=True)]
    bands, cells = join_windows(units, windows, [place.clock for place in places])
    cells = _heeding(_weighed(records, units, model, which, places, labels, bands, cells), *said)
    posterior, log_evidence = align_cells(bands, cells, cells.evidence, _steps(units, gaps), len(units))
    # the pairs are near the path because the path was drawn through them
    log_evidence = log_evidence - [
        0.0 if place.lent or place.clock is None else path_cost(place.clock, unit.resolution_s)
        for unit, place in zip(units, places, strict=True)
    ]
    score = np.array([place.clock.score - _CLOCK_MARGIN if place.clock else -np.inf for place in places])
    same_session = 1.0 / (1.0 + np.exp(-np.clip(np.maximum(log_evidence, score), -50, 50)))
    posterior = posterior * same_session[cells.unit]
    return Fit(cells._replace(posterior=_competing(units, cells, posterior)), log_evidence, same_session)


def _window(unit: Unit, place: Place, reach_s: float) -> Window:
    if place.clock is None:
        return place.window or whole_window(unit)
    if is_coarse(unit):
        reach_s = COARSE_BAND_S if reach_s == ROUGH_S else unit.resolution_s / 2 + 4 * place.clock.sigma_s + 30
    return timed_window(unit, place.clock, reach_s, place.window)


def _weighed(
    records: Records,
    units: list[Unit],
    model: ReadingModel,
    which: Ints,
    places: list[Place],
    labels: LabelModel | None,
    bands: Bands,
    cells: Cells,
) -> Cells:
    of = which[cells.unit]
    readings = log_ratio(model, of, records.readings, cells.first, cells.second)
    label = label_evidence(labels, of, records.labels, cells.first, cells.second) if labels else np.zeros(len(of))
    return cells._replace(readings=readings, label=label, time=_time_evidence(units, places, cells))


def _time_evidence(units: list[Unit], places: list[Place], cells: Cells) -> Floats:
    """log of (density of the gap for one pitch / density of other events near an event), 0 where a stamp or the clock is missing."""
    time, told = np.zeros(len(cells.unit)), np.flatnonzero(~np.isnan(cells.time_gap_s))
    of, i, j = cells.unit[told], cells.i[told], cells.j[told]
    one, others = _densities(units, places, of, cells.time_gap_s[told])
    fine = ~np.array([is_coarse(unit) for unit in units], dtype=bool)[of]
    hurried = _at([u.first.hurried for u in units], of, i) & _at([u.second.hurried for u in units], of, j)
    others = np.where(hurried & fine, np.maximum(others, _AFTER_A_PITCH), others)
    paths = [
        np.zeros(len(u.second.rows), np.int64) if p.clock is None else p.clock.segment
        for u, p in zip(units, places, strict=True)
    ]
    beside_step = _at([_beside_step(path) for path in paths], of, j)
    others = np.where(beside_step & fine, np.maximum(others, _BESIDE_STEP), others)
    say = np.log(one + _GLITCH) - np.log(others)
    # an offset that was made for one record, of either tracker, is no witness: in place of its time stands what a clock set twice in a row costs
    alone = _at(
        [(np.bincount(path)[path] == 1) | (len(u.first.rows) == 1) for u, path in zip(units, paths, strict=True)], of, j
    )
    time[told] = np.where(alone, np.minimum(say, -_SET_AGAIN), say)
    return time


def _densities(units: list[Unit], places: list[Place], of: Ints, gap: Floats) -> tuple[Floats, Floats]:
    """Per second, for the gap of each cell of a unit: of one pitch's two records, and of other events near an event."""
    crowding = np.array([(unit.first.crowding + unit.second.crowding) / 2 for unit in units])
    sigma_s = np.array([place.clock.sigma_s if place.clock is not None else np.nan for place in places])[of]
    resolution_s = np.array([unit.resolution_s for unit in units])[of]
    one, others = density(gap, sigma_s), crowding[of]
    box = np.flatnonzero(resolution_s > COARSE_S)
    one[box] = box_density(gap[box], sigma_s[box], resolution_s[box])
    # a minute stamp must not count as evidence against a match
    others[box] = np.minimum(others[box], 1 / (2 * resolution_s[box]))
    return one, others


def _at(of_records: list[Bools], unit: Ints, place: Ints) -> Bools:
    """What of each unit's records, one array a unit, the cells (unit, place in the stream) have."""
    sizes = np.array([len(own) for own in of_records], dtype=np.int64)
    return np.asarray(np.concatenate([np.zeros(0, dtype=bool), *of_records])[(np.cumsum(sizes) - sizes)[unit] + place])


def _beside_step(segment: Ints) -> Bools:
    """Records of the second stream that are the last before a step of the path, or the first after it."""
    turn = np.diff(segment) != 0
    return np.asarray(np.append(turn, False) | np.append(False, turn))


def _heeding(cells: Cells, same: list[tuple[int, int]], apart: set[tuple[int, int]]) -> Cells:
    """A person's word outweighs everything, and what it rules out is free for others."""
    label = cells.label.copy()
    for say, pairs in ((_DECIDED, same), (-_DECIDED, sorted(apart))):
        for a, b in pairs:
            label[((cells.first == a) & (cells.second == b)) | ((cells.first == b) & (cells.second == a))] += say
    return cells._replace(label=label)


def _steps(units: list[Unit], gaps: Gaps) -> Steps:
    begin, extend = gaps.begin, gaps.extend
    untimed = np.array([np.isnan(unit.resolution_s) for unit in units], dtype=bool)
    free = untimed | np.array([is_coarse(unit) for unit in units], dtype=bool)
    # after a run of one tracker's own, a run of the other's is about as likely as anywhere
    turned = np.minimum(_TURN * begin[:, ::-1], 0.3 * (1 - extend))
    at_ends = np.where(free[:, None], np.maximum(extend, _FREE_END), extend)
    return Steps(
        both_both=1 - begin.sum(axis=1),
        both_first=begin[:, 0],
        both_second=begin[:, 1],
        first_first=extend[:, 0],
        first_second=turned[:, 0],
        first_both=1 - extend[:, 0] - turned[:, 0],
        second_second=extend[:, 1],
        second_first=turned[:, 1],
        second_both=1 - extend[:, 1] - turned[:, 1],
        first_first_start=at_ends[:, 0],
        first_first_end=at_ends[:, 0],
        second_second_start=at_ends[:, 1],
        second_second_end=at_ends[:, 1],
        crossed=np.exp(-np.where(untimed, _CROSSING_COST_UNTIMED, _CROSSING_COST)),
    )


def _competing(units: list[Unit], cells: Cells, posterior: Floats) -> Floats:
    """One record may be claimed by several units of the same two trackers: odds share out, and the smaller of both sides counts."""
    if len({(unit.trackers, unit.day) for unit in units}) == len(units):
        return posterior
    pair = np.array([u.trackers[0] * 1000 + u.trackers[1] for u in units])[cells.unit]
    live = np.flatnonzero(posterior > 1e-6)
    out = posterior.copy()
    for record in (cells.first, cells.second):
        key, place = np.unique(
            np.stack([pair[live], record[live], cells.unit[live]], axis=1), axis=0, return_inverse=True
        )
        claim = np.minimum(np.bincount(place.ravel(), posterior[live]), 1 - 1e-9)
        odds = claim / (1 - claim)
        owner = np.unique(key[:, :2], axis=0, return_inverse=True)[1].ravel()
        several = np.bincount(owner)[owner] > 1
        shared = np.where(several, odds / (1 + np.bincount(owner, odds)[owner]) / np.maximum(claim, 1e-12), 1.0)
        out[live] = np.minimum(out[live], posterior[live] * np.minimum(shared[place.ravel()], 1.0))
    return out


def next_gaps(units: list[Unit], cells: Cells) -> Gaps:
    """Gap chances from the expected runs of records with no partner, with priors 1.5 in 30 and 6 in 10."""
    gaps = start_gaps(len(units))
    for side, (places, sizes) in enumerate(
        ((cells.i, [len(u.first.rows) for u in units]), (cells.j, [len(u.second.rows) for u in units]))
    ):
        size = np.array(sizes, dtype=np.int64)
        shift = np.cumsum(size) - size
        alone = 1 - np.minimum(np.bincount(shift[cells.unit] + places, cells.posterior, int(size.sum())), 1.0)
        before = np.concatenate([[0.0], alone[:-1]])
        before[shift[size > 0]] = 0.0
        opened, stayed, after = (np.add.reduceat(x, shift) for x in (alone * (1 - before), alone * before, 1 - before))
        gaps.begin[:, side] = np.minimum((opened + 1.5) / (after + 30), 0.4)
        gaps.extend[:, side] = np.minimum((stayed + 6) / (opened + stayed + 10), 0.97)
    return gaps


def refined(units: list[Unit], places: list[Place], cells: Cells, some: Sequence[int] | None = None) -> list[Place]:
    """Each clock (or those of some units) once more, from the pairs that the alignment is sure of, and the window that these leave."""
    starts = np.searchsorted(cells.unit, np.arange(len(units) + 1))
    sure = np.flatnonzero(cells.posterior > 0.8)
    cuts = np.searchsorted(sure, starts)
    certain = (cells.posterior > _PINNED) & (cells.evidence > _PINNED_EVIDENCE)
    out: list[Place] = []
    for u in range(len(units)) if some is None else some:
        unit, place = units[u], places[u]
        mine = sure[cuts[u] : cuts[u + 1]]
        shape = len(unit.first.rows), len(unit.second.rows)
        pins = mine[certain[mine]]
        window = pinned_window(cells.i[pins], cells.j[pins], shape, _PINS)
        if place.is_empty:
            out.append(place)
        elif place.clock is None:
            live = np.flatnonzero(cells.posterior[starts[u] : starts[u + 1]] > 1e-6) + int(starts[u])
            near = closed_window(cells.i[live], cells.j[live], shape, _CLOSE_MARGIN)
            out.append(Place(None, shared_window(near, window)))
        else:
            pairs = (cells.i[mine], cells.j[mine], cells.posterior[mine])
            out.append(place._replace(clock=_refined_clock(unit, place.clock, pairs), window=window))
    return out


def _refined_clock(unit: Unit, clock: Clock, pairs: tuple[Ints, Ints, Floats]) -> Clock:
    floor_s = max(0.32 * float(np.hypot(unit.first.resolution_s, unit.second.resolution_s)), 0.02)
    resolutions_s = (unit.first.resolution_s, unit.second.resolution_s)
    return refine(clock, unit.first.seen_s, unit.second.seen_s, pairs, resolutions_s, floor_s)
