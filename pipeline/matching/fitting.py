"""From a model of readings to posteriors, and from posteriors back to the model: one round on many pairs of streams at once."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.matching.alignment import Band, Steps, align
from pipeline.matching.clock import COARSE_S, Clock, crowding, density, find_clock, refine
from pipeline.matching.labels import LabelModel, label_evidence
from pipeline.matching.readings import CIRCULAR, ReadingModel, differences, log_ratio
from pipeline.matching.records import Records, Unit

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

_BAND_S, _COARSE_BAND_S = 60.0, 150.0
# cells of one batch of alignments: keeps the work in the processor's cache and memory small
_BATCH_CELLS = 400_000
_START_OPEN, _START_EXTEND = 1.5 / 30, 6 / 10
_CROSSING_COST, _CROSSING_COST_UNTIMED = 2.0, 5.0
# what a person's decision adds to the evidence of a pair (natural log)
_DECIDED = 40.0
_FREE_END = float(np.exp(-0.015))


class Gaps(NamedTuple):
    """Chances that a run of records seen by one tracker only begins and goes on, per unit: (units, 2), [first only, second only]."""

    begin: Floats
    extend: Floats


class Cells(NamedTuple):
    """Pairs of records inside the bands, flat: unit, places in the streams, rows of the records, evidence and posterior."""

    unit: Ints
    i: Ints
    j: Ints
    first: Ints
    second: Ints
    difference: Floats
    first_leads: NDArray[np.bool_]
    time_gap_s: Floats
    time: Floats
    readings: Floats
    label: Floats
    posterior: Floats

    @property
    def evidence(self) -> Floats:
        return self.readings + self.time + self.label


class Fit(NamedTuple):
    """Result of a round: cells, clock of each unit (None: order only), gaps, log evidence that the unit is one session."""

    cells: Cells
    clocks: list[Clock | None]
    gaps: Gaps
    log_evidence: Floats
    same_session: Floats


class _Layout(NamedTuple):
    """Where a unit's band lies: rows and columns kept of each stream, first column of each row, width of each row."""

    rows: Ints
    columns: Ints
    low: Ints
    high: Ints


def start_gaps(units: int) -> Gaps:
    return Gaps(np.full((units, 2), _START_OPEN), np.full((units, 2), _START_EXTEND))


def clocks_of(records: Records, units: list[Unit], model: ReadingModel, which: Ints, labels: LabelModel | None) -> list[Clock | None]:
    """The clock path of every unit whose two streams have a clock."""
    return [_clock_of(records, unit, model, which[u], labels) for u, unit in enumerate(units)]


def _clock_of(records: Records, unit: Unit, model: ReadingModel, which: int, labels: LabelModel | None) -> Clock | None:
    if np.isnan(unit.resolution_s):
        return None
    evidence = quick_evidence(records, unit, model, which)
    return find_clock(unit.first.seen_s, unit.second.seen_s, evidence, (unit.first.resolution_s, unit.second.resolution_s))


def quick_evidence(records: Records, unit: Unit, model: ReadingModel, which: int) -> Floats:
    """A rough log ratio for all pairs of a unit, from its most telling metrics: enough to find the clock."""
    a, b = records.readings[unit.first.rows], records.readings[unit.second.rows]
    narrow = model.other_spread[which, 1] / model.spread[which]
    known = (~np.isnan(a)).mean(axis=0) * (~np.isnan(b)).mean(axis=0)
    gain = known * model.weight[which] * np.log(np.maximum(narrow, 1.0))
    total = np.zeros((len(a), len(b)))
    for k in np.argsort(-gain, kind="stable")[:6].tolist():
        if gain[k] <= 0:
            break
        d = b[None, :, k] - a[:, None, k] - model.bias[which, k]
        if CIRCULAR[k]:
            d = (d + 180.0) % 360.0 - 180.0
        spread = model.spread[which, k]
        wide = model.other_spread[which, :, k].mean()
        say = np.maximum(np.log(wide / spread) - 0.5 * (d / spread) ** 2 + 0.5 * (d / wide) ** 2, -3.0)
        total += np.nan_to_num(say * model.weight[which, k])
    return total * model.trust[which]


def run_round(
    records: Records,
    units: list[Unit],
    model: ReadingModel,
    which: Ints,
    clocks: list[Clock | None],
    gaps: Gaps,
    labels: LabelModel | None,
    decided: tuple[list[tuple[int, int]], set[tuple[int, int]]] = ([], set()),
) -> Fit:
    """Evidence inside the bands, alignment, and the posterior of each pair; `decided`: rows that are one pitch, rows that are not."""
    layouts = [_layout(unit, clock) for unit, clock in zip(units, clocks, strict=True)]
    cells = _heeding(_evidence(records, units, model, which, clocks, layouts, labels), *decided)
    posterior, log_evidence = _aligned(units, clocks, layouts, cells, gaps)
    score = np.array([clock.score - 12.0 if clock else -np.inf for clock in clocks])
    same_session = 1.0 / (1.0 + np.exp(-np.clip(np.maximum(log_evidence, score), -50, 50)))
    posterior = posterior * same_session[cells.unit]
    return Fit(cells._replace(posterior=_competing(units, cells, posterior)), clocks, gaps, log_evidence, same_session)


def _layout(unit: Unit, clock: Clock | None) -> _Layout:
    n, m = len(unit.first.rows), len(unit.second.rows)
    if clock is None:
        return _Layout(np.arange(n), np.arange(m), np.zeros(n, dtype=np.int64), np.full(n, m - 1))
    reach = _COARSE_BAND_S if unit.resolution_s > COARSE_S else _BAND_S
    first_s = _filled_in(unit.first.seen_s)
    second_s = _filled_in(unit.second.seen_s) - clock.offset_s
    near = np.abs(second_s[None, :] - first_s[:, None]) < reach
    rows = np.flatnonzero(near.any(axis=1))
    if not len(rows):
        return _Layout(rows, rows, rows, rows)
    near = near[rows]
    low = np.minimum.accumulate(near.argmax(axis=1)[::-1])[::-1]
    high = np.maximum.accumulate(m - 1 - near[:, ::-1].argmax(axis=1))
    covered = np.zeros(m + 1, dtype=np.int64)
    np.add.at(covered, low, 1)
    np.add.at(covered, high + 1, -1)
    inside = np.cumsum(covered)[:m] > 0
    place = np.cumsum(inside) - 1
    low, high = place[low], place[high]
    # what only the second stream has between two rows is taken before the later row: the band must reach there
    before = near & (second_s[None, :] <= first_s[rows, None])
    upto = np.where(before.any(axis=1), place[m - 1 - before[:, ::-1].argmax(axis=1)], low - 1)
    high[:-1] = np.maximum(high[:-1], upto[1:])
    return _Layout(rows, np.flatnonzero(inside), low, np.maximum.accumulate(high))


def _filled_in(seen_s: Floats) -> Floats:
    known = np.flatnonzero(~np.isnan(seen_s))
    return seen_s if len(known) == len(seen_s) else np.interp(np.arange(len(seen_s)), known, seen_s[known])


def _evidence(
    records: Records, units: list[Unit], model: ReadingModel, which: Ints, clocks: list[Clock | None], layouts: list[_Layout], labels: LabelModel | None
) -> Cells:
    if not units:
        none = np.zeros(0, dtype=np.int64)
        nothing = np.zeros(0)
        return Cells(none, none, none, none, none, np.zeros((0, records.readings.shape[1])), nothing > 0, nothing, nothing, nothing, nothing, nothing)
    parts = [_unit_cells(u, unit, clock, layout) for u, (unit, clock, layout) in enumerate(zip(units, clocks, layouts, strict=True))]
    of, i, j, first, second, leads, gap, time = (np.concatenate(column) for column in zip(*parts, strict=True))
    difference = differences(records.readings, first, second)
    readings = log_ratio(model, which[of], difference)
    label = label_evidence(labels, which[of], records.labels, first, second) if labels else np.zeros(len(of))
    return Cells(of, i, j, first, second, difference, leads, gap, time, readings, label, np.zeros(len(of)))


def _heeding(cells: Cells, same: list[tuple[int, int]], apart: set[tuple[int, int]]) -> Cells:
    """A person's word outweighs everything, and what it rules out is free for others."""
    label = cells.label.copy()
    for say, pairs in ((_DECIDED, same), (-_DECIDED, sorted(apart))):
        for a, b in pairs:
            label[((cells.first == a) & (cells.second == b)) | ((cells.first == b) & (cells.second == a))] += say
    return cells._replace(label=label)


def _unit_cells(number: int, unit: Unit, clock: Clock | None, layout: _Layout) -> tuple[Ints, Ints, Ints, Ints, Ints, NDArray[np.bool_], Floats, Floats]:
    """unit, i, j, first row, second row, whether the first leads, time gap, time evidence of the cells of one unit, row by row."""
    wide = layout.high - layout.low + 1
    row = np.repeat(np.arange(len(layout.rows)), wide)
    column = layout.low[row] + np.arange(len(row)) - np.repeat(np.cumsum(wide) - wide, wide)
    i, j = layout.rows[row], layout.columns[column]
    if clock is None:
        gap, time = np.full(len(i), np.nan), np.zeros(len(i))
        leads = np.ones(len(i), dtype=bool)
    else:
        leads = _filled_in(unit.second.seen_s)[j] - clock.offset_s[j] > _filled_in(unit.first.seen_s)[i]
        gap = unit.second.seen_s[j] - clock.offset_s[j] - unit.first.seen_s[i]
        time = _time_evidence(unit, clock, gap)
    return np.full(len(i), number), i, j, unit.first.rows[i], unit.second.rows[j], leads, gap, time


def _time_evidence(unit: Unit, clock: Clock, gap: Floats) -> Floats:
    """log of (density of the gap for one pitch / density of other events near an event), 0 where a stamp is missing."""
    resolution = unit.resolution_s
    other = (crowding(unit.first.seen_s) + crowding(unit.second.seen_s)) / 2
    if resolution > COARSE_S:
        other = min(other, 1 / (2 * resolution))
    one = density(np.nan_to_num(gap), clock.sigma_s, np.full(len(gap), resolution))
    return np.where(np.isnan(gap), 0.0, np.log(one + 1e-10) - np.log(other))


def _aligned(units: list[Unit], clocks: list[Clock | None], layouts: list[_Layout], cells: Cells, gaps: Gaps) -> tuple[Floats, Floats]:
    """Posterior of each cell and log evidence of each unit, in batches of units of like size."""
    posterior = np.zeros(len(cells.unit))
    log_evidence = np.full(len(units), -30.0)
    starts = np.searchsorted(cells.unit, np.arange(len(units) + 1))
    evidence = cells.evidence
    for batch in _batches(layouts):
        chosen = [layouts[u] for u in batch]
        rows = max(len(layout.rows) for layout in chosen)
        width = max(int((layout.high - layout.low).max()) + 1 for layout in chosen)
        dense = np.full((len(batch), rows, width), -np.inf)
        leads = np.ones((len(batch), rows, width + 1), dtype=bool)
        low = np.zeros((len(batch), rows), dtype=np.int64)
        places = []
        for b, (u, layout) in enumerate(zip(batch, chosen, strict=True)):
            wide = layout.high - layout.low + 1
            row = np.repeat(np.arange(len(layout.rows)), wide)
            column = np.arange(len(row)) - np.repeat(np.cumsum(wide) - wide, wide)
            dense[b, row, column] = evidence[starts[u] : starts[u + 1]]
            # with clocks, what lies left of the window is earlier
            leads[b, :, 0] = clocks[u] is None
            leads[b, row, column + 1] = cells.first_leads[starts[u] : starts[u + 1]]
            low[b, : len(layout.rows)] = layout.low
            low[b, len(layout.rows) :] = layout.low[-1]
            places.append((row, column))
        lengths = np.array([len(c.rows) for c in chosen]), np.array([len(c.columns) for c in chosen])
        result = align(Band(dense, leads, low, *lengths), _steps(batch, units, clocks, gaps))
        for b, u in enumerate(batch):
            posterior[starts[u] : starts[u + 1]] = result.posterior[b][places[b]]
            log_evidence[u] = result.log_evidence[b]
    return posterior, log_evidence


def _batches(layouts: list[_Layout]) -> list[list[int]]:
    """Units of like shape together, at most so many cells at once; units with an empty band are left out."""
    shape = {u: (len(x.rows), int((x.high - x.low).max()) + 1) for u, x in enumerate(layouts) if len(x.rows)}
    batches: list[list[int]] = []
    rows, width = 0, 0
    for u in sorted(shape, key=lambda u: (shape[u][1] > 40, shape[u][0], u)):
        rows, width = max(rows, shape[u][0]), max(width, shape[u][1])
        if batches and rows * width * (len(batches[-1]) + 1) <= _BATCH_CELLS:
            batches[-1].append(u)
        else:
            batches.append([u])
            rows, width = shape[u]
    return batches


def _steps(batch: list[int], units: list[Unit], clocks: list[Clock | None], gaps: Gaps) -> Steps:
    begin, extend = gaps.begin[batch], gaps.extend[batch]
    timed = np.array([clocks[u] is not None for u in batch])
    free = np.array([clocks[u] is None or units[u].resolution_s > COARSE_S for u in batch])
    both = 1 - begin.sum(axis=1)
    turned = 0.3 * (1 - extend)
    return Steps(
        both_both=both,
        both_first=begin[:, 0],
        both_second=begin[:, 1],
        first_first=extend[:, 0],
        first_second=turned[:, 0],
        first_both=1 - extend[:, 0] - turned[:, 0],
        second_second=extend[:, 1],
        second_first=turned[:, 1],
        second_both=1 - extend[:, 1] - turned[:, 1],
        first_first_end=np.where(free, np.maximum(extend[:, 0], _FREE_END), extend[:, 0]),
        second_second_end=np.where(free, np.maximum(extend[:, 1], _FREE_END), extend[:, 1]),
        crossed=np.exp(-np.where(timed, _CROSSING_COST, _CROSSING_COST_UNTIMED)),
    )


def _competing(units: list[Unit], cells: Cells, posterior: Floats) -> Floats:
    """One record may be claimed by several units of the same two trackers: odds share out, and the smaller of both sides counts."""
    pair = np.array([u.trackers[0] * 1000 + u.trackers[1] for u in units])[cells.unit] if units else cells.unit
    live = np.flatnonzero(posterior > 1e-6)
    out = posterior.copy()
    for record in (cells.first, cells.second):
        key, place = np.unique(np.stack([pair[live], record[live], cells.unit[live]], axis=1), axis=0, return_inverse=True)
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
    starts = np.searchsorted(cells.unit, np.arange(len(units) + 1))
    for u, unit in enumerate(units):
        mine = slice(int(starts[u]), int(starts[u + 1]))
        for side, (places, size) in enumerate(((cells.i, len(unit.first.rows)), (cells.j, len(unit.second.rows)))):
            alone = 1 - np.minimum(np.bincount(places[mine], cells.posterior[mine], size), 1.0)
            before = np.concatenate([[0.0], alone[:-1]])
            # a whole stream without a partner says nothing about gaps
            opened, stayed = float((alone * (1 - before)).sum()), float((alone * before).sum())
            gaps.begin[u, side] = min((opened + 1.5) / (float((1 - before).sum()) + 30), 0.4)
            gaps.extend[u, side] = min((stayed + 6) / (opened + stayed + 10), 0.97)
    return gaps


def refined(units: list[Unit], clocks: list[Clock | None], cells: Cells) -> list[Clock | None]:
    """Each clock once more, from the pairs that the alignment is sure of."""
    starts = np.searchsorted(cells.unit, np.arange(len(units) + 1))
    out: list[Clock | None] = []
    for u, (unit, clock) in enumerate(zip(units, clocks, strict=True)):
        if clock is None:
            out.append(None)
            continue
        mine = slice(int(starts[u]), int(starts[u + 1]))
        floor_s = 0.32 * float(np.hypot(unit.first.resolution_s, unit.second.resolution_s))
        pairs = (cells.i[mine], cells.j[mine], cells.posterior[mine])
        out.append(refine(clock, unit.first.seen_s, unit.second.seen_s, pairs, unit.resolution_s, max(floor_s, 0.02)))
    return out

