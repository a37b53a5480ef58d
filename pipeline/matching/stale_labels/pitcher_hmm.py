"""Whose throw each pitch of a station-day was: the labels of all trackers and the arms' readings weighed together.

A hidden Markov model over the pitches in their order (Rabiner 1989), its state the arm that threw. Three things speak:
- who threw before: how often the arm changes is learned from the day (one mound: rarely; two mounds at once: all the time);
- the labels, each tracker's by itself. An operator leaves the label standing or changes it, so what it says of the arm depends on what
  it showed before: a change to a name is good evidence for it, a label that stands is weak evidence at a change of arm. How often a
  tracker's label is left standing is learned from the day;
- the readings that tell arms apart: where the ball is let go, or, where no tracker measures that, speed, spin and break.
All is learned by expectation-maximisation from the one day alone: no other day may change its outcome.
"""

from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Bools, Floats, Ints, medians

# chances before anything is seen, and the pitches that this counts for: a label is forgotten at a change of arm, stays wrong from one
# pitch to the next, is changed to something wrong; guesses, no source: the day's own pitches soon outweigh them
_FORGOTTEN, _STAYS_WRONG, _SLIPS = (0.3, 5.0), (0.9, 10.0), (0.01, 5.0)
_LEAST_CHANCE, _MOST_CHANCE = 0.002, 0.98
# what can become of a label at a pitch (`_Labels`)
_EVENTS = 6
# pitches that an arm's staying on and, over all other arms, its leaving count for before anything is seen
_STAYS_ON, _LEAVES = 10.0, 0.5
# the two starts: one arm after the other, and arms that throw by turns on two mounds
_ONE_MOUND, _TWO_MOUNDS, _BY_TURNS = 0.95, 0.6, 0.1
_TRIED, _MOST_ROUNDS = 4, 16
# it has settled when all but this share of the pitches change by less than so much
_UNSETTLED, _SETTLED = 0.01, 0.1
# pitches that messages along the chain pass at once; then they are kept from vanishing
_BLOCK = 8
# share of misreadings, and how far from the arm's usual place a reading (in spreads) no longer counts for it
_MISREAD, _FAR = 0.03, 3.5
# of the ratio so much is told: errors go together over a whole stint, and without this one of 8 nats was right 4 times of 5 only
# (simulated seasons with all faults)
_KEPT = 0.25
# no reading is less likely than this: nothing measured here is to outweigh everything else for ever
_LEAST_LIKELY = 1e-100
# between stints an arm's release wanders by so much of its spread; a guess, no source
_WANDERS = 0.25


class Day(NamedTuple):
    """Pitches of a station-day in their order, P; trackers, T; names, K; readings, M.

    `told` and `before` (P, T): number of the name that the tracker shows, and that it showed at its record before (-1: none; `before`
    is K for a name of another place). `readings` (T, M, P), 0 where not `measured`; `weight` (M,): the say of each.
    """

    told: Ints
    before: Ints
    names: int
    readings: Floats
    measured: Bools
    weight: Floats


class _Labels(NamedTuple):
    """`event` (T, P, K): what became of the label if the arm is k, as a place in the chances of all trackers, `_EVENTS` each: there is
    none; after one that was right (or is not known) it is right or wrong; after a wrong one it is right, the same, or wrong otherwise.

    `counts` (3, 2, T, P, K): what happened and what could have, of a label's being forgotten, staying wrong, slipping.
    """

    event: Ints
    counts: Floats


class _Habits(NamedTuple):
    """Of each tracker (T,): how often a label is forgotten at a change of arm, stays wrong, slips."""

    forgotten: Floats
    stays_wrong: Floats
    slips: Floats


class _Arms(NamedTuple):
    """Readings of arms: `mean` (T, M, K) after `seen` pitches, drawn to `usual` (T, M) as by `prior` pitches (T, M); `spread` (T, M)
    within an arm, `apart` (T, M) between arms."""

    mean: Floats
    seen: Floats
    usual: Floats
    prior: Floats
    spread: Floats
    apart: Floats


class Chain(NamedTuple):
    """What leads from the arm of one pitch to that of the next.

    `leaves` (K, K): chance of this arm after that one, 0 where it is the same; `stays` (K,): chance of the same; `change`, `stay` (P, K):
    likelihood of the labels where the arm is another than at the pitch before, or the same; `readings` (P, K): likelihood of the
    readings, the likeliest arm's 1. The first pitch follows none: of `change` its row is 0.
    """

    leaves: Floats
    stays: Floats
    change: Floats
    stay: Floats
    readings: Floats


class Passed(NamedTuple):
    """Along a chain, (P, K): `before`, `after`: what all pitches before and after this one say of its arm, each summing to 1; `share`:
    probability that the pitch is the arm's; `stays`: that it is, and the pitch before was too. `changes` (K, K): expected changes of
    arm; `fit`: log-likelihood of everything."""

    before: Floats
    after: Floats
    share: Floats
    stays: Floats
    changes: Floats
    fit: float


class Whose(NamedTuple):
    """`share` (P, K): probability that the pitch is the arm's. The rest is what the next round and `support` need: the habits of labels;
    how arms follow one another (K, K); their readings; the chain, and what it passes on; how well all fits; how often the arm changes;
    whether it has settled."""

    share: Floats
    habits: _Habits
    follows: Floats
    arms: _Arms
    chain: Chain
    before: Floats
    after: Floats
    fit: float
    changes: float
    settled: bool


def whose_pitches(day: Day) -> Whose:
    """Who threw each pitch. Where the arm seems to change often, two starts are tried, and the one that fits better goes on."""
    labels = _read_labels(day)
    best = _rounds(day, labels, _start(day, labels, _ONE_MOUND)._replace(share=_agreed(day)), _TRIED)
    if best.changes > _BY_TURNS:
        other = _rounds(day, labels, _start(day, labels, _TWO_MOUNDS), _TRIED)
        best = other if other.fit > best.fit else best
    return _rounds(day, labels, best, _MOST_ROUNDS - _TRIED)


def support(day: Day, whose: Whose, runs: list[Ints], shown: Ints, proposed: Ints) -> Floats:
    """Of each run of pitches (ascending) the log-likelihood ratio, in nats, of all being the `proposed` arm's against their being that
    of the label `shown`."""
    if not runs:
        return np.zeros(0)
    arms = np.stack([shown, proposed], axis=1)
    total = _held(whose, runs, arms) + _readings_of_runs(day, whose, runs, arms)
    return np.asarray(_KEPT * (total[:, 1] - total[:, 0]))


def _start(day: Day, labels: _Labels, stays_on: float) -> Whose:
    """What the labels alone say, before anything is learned."""
    habits = _Habits(*(np.full(day.told.shape[1], chance) for chance, _ in (_FORGOTTEN, _STAYS_WRONG, _SLIPS)))
    follows = np.full((day.names, day.names), (1 - stays_on) / max(day.names - 1, 1))
    np.fill_diagonal(follows, stays_on)
    return _weighed(day, labels, habits, follows, _unknown_arms(day))


def _rounds(day: Day, labels: _Labels, whose: Whose, most: int) -> Whose:
    """So many rounds of expectation-maximisation, fewer where it settles."""
    for _ in range(most):
        if whose.settled:
            break
        arms, before = _learn_arms(day, whose.share, whose.arms), whose.share
        whose = _weighed(day, labels, whose.habits, whose.follows, arms)
        whose = whose._replace(settled=bool((np.abs(whose.share - before).max(axis=1) > _SETTLED).mean() < _UNSETTLED))
    return whose


def _weighed(day: Day, labels: _Labels, habits: _Habits, follows: Floats, arms: _Arms) -> Whose:
    """Whose the pitches are as things stand, and habits and changes of arm learned from that."""
    say = _reading_say(day, arms)
    top = say.max(axis=1, keepdims=True)
    change, stay = _label_likelihoods(labels, habits, day.names)
    change[:1] = 0.0
    stays = np.diagonal(follows)
    chain = Chain(follows - np.diag(stays), stays, change, stay, np.exp(say - top))
    passed = passed_along(chain)
    seen = passed.changes + _LEAVES / day.names + np.diag(_STAYS_ON + passed.stays[1:].sum(axis=0))
    follows = seen / seen.sum(axis=1, keepdims=True)
    habits = _learn_habits(labels, passed)
    fit = passed.fit + float(top.sum()) + _prior(habits, follows) - _room(day, arms)
    changes = 1 - float(passed.stays[1:].sum(axis=1).mean()) if len(say) > 1 else 0.0
    return Whose(passed.share, habits, follows, arms, chain, passed.before, passed.after, fit, changes, settled=False)


def _agreed(day: Day) -> Floats:
    """(P, K): 1 where two trackers or more agree on the name and none says otherwise."""
    told = day.told[:, :, None] == np.arange(day.names)
    count = told.sum(axis=1)
    return np.asarray((count >= 2) & (count == (day.told >= 0).sum(axis=1)[:, None]), dtype=float)


# ---- labels --------------------------------------------------------------------------------------------------------------------------------


def _read_labels(day: Day) -> _Labels:
    told, before, arm = day.told.T[:, :, None], day.before.T[:, :, None], np.arange(day.names)
    known, right, fresh = told >= 0, told == arm, (before == arm) | (before < 0)
    standing, old, new = (told == before) & ~right, known & ~fresh, known & fresh
    event = np.where(fresh, np.where(right, 1, 2), np.where(right, 3, np.where(standing, 4, 5)))
    counts = np.array([(old & standing, old), (old & standing, old), (new & ~right, new)], dtype=float)
    event = np.where(known, event, 0) + _EVENTS * np.arange(len(event))[:, None, None]
    return _Labels(event, counts)


def _label_likelihoods(labels: _Labels, habits: _Habits, names: int) -> Floats:
    """(2, P, K): likelihood of the labels where the arm is another than at the pitch before, and where it is the same."""
    wrong, left = habits.slips / max(names - 1, 1), np.array([habits.forgotten, habits.stays_wrong])
    chances = np.ones((2, len(wrong), _EVENTS))
    chances[:, :, 1], chances[:, :, 2] = 1 - habits.slips, wrong
    chances[:, :, 3], chances[:, :, 4], chances[:, :, 5] = 1 - left, left, wrong
    return np.asarray(chances.reshape(2, -1).take(labels.event, axis=1).prod(axis=1))


def _learn_habits(labels: _Labels, passed: Passed) -> _Habits:
    """Chances counted over the pitches: whose they are, and whose they are by the same arm as the pitch before."""
    weight = np.array([np.maximum(passed.share - passed.stays, 0.0), passed.stays, passed.share])
    seen = (labels.counts.reshape(*labels.counts.shape[:3], -1) @ weight.reshape(3, 1, -1, 1))[..., 0].swapaxes(0, 1)
    chance, worth = np.array([_FORGOTTEN, _STAYS_WRONG, _SLIPS]).T[:, :, None]
    learned = np.clip((seen[0] + chance * worth) / (seen[1] + worth), _LEAST_CHANCE, _MOST_CHANCE)
    return _Habits(*learned)


# ---- readings ------------------------------------------------------------------------------------------------------------------------------


def _unknown_arms(day: Day) -> _Arms:
    """Arms of which nothing is known but all readings together: (T, M) their median, and 1.4826 times the median distance from it."""
    readings = np.where(day.measured, day.readings, np.nan)
    usual = medians(readings)
    apart = np.maximum(np.nan_to_num(1.4826 * medians(np.abs(readings - usual[:, :, None]))), 1e-6)
    usual = np.nan_to_num(usual)
    nothing = np.zeros((*usual.shape, day.names))
    return _Arms(nothing + usual[:, :, None], nothing, usual, np.full_like(usual, 0.25), apart, apart)


def _learn_arms(day: Day, share: Floats, old: _Arms) -> _Arms:
    """Robust means of each arm's readings as each tracker has them, and the spreads within and between arms.

    A mean is drawn to that of all arms (normal prior, as wide as arms are apart): an arm that nothing is known of may be anywhere.
    """
    usual, apart = old.usual, old.apart
    spread = old.spread if old.seen.any() else _first_spread(day, share, apart)
    weight = _counts_for(day, share, old)
    count, total = weight.sum(axis=3), _added_up(weight, day.readings)
    away = np.maximum(apart, 2 * spread)
    prior = (spread / away) ** 2
    mean = (total + (prior * usual)[:, :, None]) / (count + prior[:, :, None])
    spread = _spread(day, weight, mean, spread, apart)
    return _Arms(mean, count, usual, (spread / away) ** 2, spread, apart)


def _first_spread(day: Day, share: Floats, apart: Floats) -> Floats:
    """Spread of the readings about the mean of the arm that the trackers agree on, where they do."""
    weight = share.T * day.measured[:, :, None]
    mean = _added_up(weight, day.readings) / np.maximum(weight.sum(axis=3), 1.0)
    sure, arm = share.max(axis=1) > 0.5, share.argmax(axis=1)
    off = np.where(day.measured, np.abs(day.readings - mean[:, :, arm]), np.nan)[:, :, sure]
    middle = medians(off)
    return np.clip(np.where(np.isnan(middle), apart, 1.4826 * middle), 0.05 * apart, apart)


def _added_up(weight: Floats, readings: Floats) -> Floats:
    """(T, M, K): weight times reading, over the pitches."""
    return np.asarray((weight @ readings[..., None])[..., 0])


def _counts_for(day: Day, share: Floats, arms: _Arms) -> Floats:
    """(T, M, K, P): how much a reading counts for an arm; not at all where it is far from the arm's place, as far as that is known."""
    return np.ascontiguousarray(share.T) * _near(day.readings, day.measured, arms.mean, arms.seen, arms.spread)


def _near(readings: Floats, measured: Bools, mean: Floats, seen: Floats, spread: Floats) -> Bools:
    """(T, M, ..., K, P): whether a reading (T, M, ..., P) is where the arm (T, M, ..., K) throws from, as far as that is known."""
    wide = spread.reshape(*spread.shape, *(1,) * (seen.ndim - 2))
    far = np.where(seen > 0, _FAR * wide, np.inf)
    near = np.abs(readings[..., None, :] - mean[..., None]) < far[..., None]
    near &= measured[..., None, :]
    return np.asarray(near)


def _spread(day: Day, weight: Floats, mean: Floats, old: Floats, apart: Floats) -> Floats:
    """Spread about the arms' means; the old one stands where there are hardly any readings."""
    off = day.readings[:, :, None] - mean[..., None]
    off *= off
    off *= weight
    total, each = off.sum(axis=(2, 3)), weight.sum(axis=3)
    count, arms = each.sum(axis=2), np.minimum(each, 1.0).sum(axis=2)
    new = np.sqrt(total / np.maximum(count - arms, 1.0))
    return np.clip(np.where(count > 5, new, old), 0.05 * apart, None)


def _reading_say(day: Day, arms: _Arms) -> Floats:
    """(P, K): log-likelihood of the readings, a mean over the trackers that have one: they saw the same throw.

    A normal about the arm's mean, as wide as that is unsure, with a share of misreadings that may be anywhere arms are.
    """
    own = arms.spread[:, :, None] ** 2 * (1 + 1 / (arms.seen + arms.prior[:, :, None]))
    wide = 1.6 * np.hypot(np.maximum(arms.apart, 2 * arms.spread), arms.spread)[:, :, None, None]
    off = day.readings[:, :, None] - arms.mean[..., None]
    off *= off
    say = np.exp(off * (-0.5 / own)[..., None])
    say *= ((1 - _MISREAD) / np.sqrt(own))[..., None]
    off *= -0.5 / wide**2
    say += _MISREAD / wide * np.exp(off)
    share = day.measured / np.maximum(day.measured.sum(axis=0), 1) * day.weight[:, None]
    # where no reading says how far apart arms are, both parts vanish
    return np.asarray((np.log(np.maximum(say, _LEAST_LIKELY)) * share[:, :, None]).sum(axis=(0, 1)).T)


# ---- the chain -----------------------------------------------------------------------------------------------------------------------------


def passed_along(chain: Chain) -> Passed:
    """Forward and backward along the chain (Rabiner 1989); that arms leave alike at each pitch spares sums over pairs of arms."""
    change, stay = chain.change * chain.readings, chain.stay * chain.stays * chain.readings
    links = change[:, None, :] * chain.leaves
    diagonal = np.arange(len(chain.stays))
    links[:, diagonal, diagonal] = stay
    before, after = _passed_on(np.stack([links, links[::-1].swapaxes(1, 2)]))
    after = after[::-1]
    reached = (before @ chain.leaves) * change + before * stay
    total = reached.sum(axis=1)
    weight = after / (reached * after).sum(axis=1, keepdims=True)
    changes = chain.leaves * (before.T @ (change * weight))
    return Passed(before, after, reached * weight, before * stay * weight, changes, float(np.log(total).sum()))


def _passed_on(links: Floats) -> Floats:
    """(ways, links, K), each summing to 1: what a flat message before the first link is before each. `links` is (ways, links, K, K).

    The links of all blocks are multiplied at once, and what passes through whole blocks is found in the same way.
    """
    ways, count, arms = links.shape[:3]
    blocks = -(-count // _BLOCK)
    own = np.empty((ways, blocks * _BLOCK, arms, arms))
    own[:, :count], own[:, count:] = links, np.eye(arms)
    own = own.reshape(ways, blocks, _BLOCK, arms, arms)
    so_far = own.copy()
    for n in range(1, _BLOCK):
        np.matmul(so_far[:, :, n - 1], own[:, :, n], out=so_far[:, :, n])
    message = np.full((ways, blocks, _BLOCK, arms), 1 / arms)
    if blocks > 1:
        whole = so_far[:, :, -1]
        message[:, :, 0] = _passed_on(whole / whole.max(axis=(2, 3), keepdims=True))
    message[:, :, 1:] = np.matmul(message[:, :, :1, None], so_far[:, :, :-1])[:, :, :, 0]
    message = message.reshape(ways, -1, arms)[:, :count]
    return np.asarray(message / message.sum(axis=2, keepdims=True))


def _prior(habits: _Habits, follows: Floats) -> float:
    """Log prior of what was learned."""
    arms = len(follows)
    total = float(((_LEAVES / arms + _STAYS_ON * np.eye(arms)) * np.log(follows)).sum())
    for learned, (chance, worth) in zip(habits, (_FORGOTTEN, _STAYS_WRONG, _SLIPS), strict=True):
        total += worth * float((chance * np.log(learned) + (1 - chance) * np.log(1 - learned)).sum())
    return total


def _room(day: Day, arms: _Arms) -> float:
    """What it costs that each arm may be anywhere: log of prior over posterior width of its means (Laplace's approximation).

    Without it, names that a day does not need would be given readings of their own and make any story fit.
    """
    cost = 0.5 * np.log1p(arms.seen / arms.prior[:, :, None])
    seen = arms.seen.sum(axis=0)
    return float(((arms.seen * cost).sum(axis=0) / np.maximum(seen, 1e-9) * day.weight[:, None]).sum())


# ---- support for a run ---------------------------------------------------------------------------------------------------------------------


def _held(whose: Whose, runs: list[Ints], arms: Ints) -> Floats:
    """(R, arms): log-likelihood of all but the readings of each run's pitches when all of these are that arm's, up to what no arm changes."""
    first, last = np.array([run[0] for run in runs]), np.array([run[-1] for run in runs])
    total = _log(_arrives(whose.chain, whose.before[first][:, None], first, arms)) + _log(
        whose.after[last[:, None], arms]
    )
    pitches, of = np.concatenate(runs), np.repeat(np.arange(len(runs)), [len(run) for run in runs])
    later = np.flatnonzero(np.diff(of, prepend=-1) == 0)
    gap, own = pitches[later] - pitches[later - 1], arms[of[later]]
    onward = np.where((gap == 1)[:, None], whose.chain.stay[pitches[later][:, None], own] * whose.chain.stays[own], 1.0)
    apart = np.flatnonzero(gap > 1)
    onward[apart] = _past_others(whose.chain, pitches[later - 1][apart], pitches[later][apart], own[apart])
    np.add.at(total, of[later], _log(onward))
    return total


def _arrives(chain: Chain, message: Floats, pitch: Ints, arms: Ints) -> Floats:
    """(N, arms): likelihood of the labels and of each arm's throwing the pitch, after a message (N, 1 or arms, K), one for all or each."""
    each, every = np.arange(len(arms))[:, None], np.arange(arms.shape[1])
    of = every if message.shape[1] > 1 else 0 * every
    leaves = (message @ chain.leaves)[each, of, arms] * chain.change[pitch[:, None], arms]
    return np.asarray(leaves + message[each, of, arms] * chain.stays[arms] * chain.stay[pitch[:, None], arms])


def _past_others(chain: Chain, one: Ints, next_one: Ints, arms: Ints) -> Floats:
    """(N, arms): likelihood that an arm that threw one pitch throws a later one, whoever threw those in between, up to what no arm changes."""
    message = np.eye(len(chain.stays))[arms]
    for n in range(1, int((next_one - one).max(initial=1))):
        on = np.flatnonzero(one + n < next_one)
        pitch, old = one[on] + n, message[on]
        new = (old @ chain.leaves) * chain.change[pitch][:, None] + old * (chain.stays * chain.stay[pitch])[:, None]
        new *= chain.readings[pitch][:, None]
        # whatever becomes of all arms alike says nothing
        message[on] = new / (new.max(axis=(1, 2), keepdims=True) + 1e-300)
    return _arrives(chain, message, next_one, arms)


def _log(likelihood: Floats) -> Floats:
    return np.asarray(np.log(likelihood + 1e-300))


def _readings_of_runs(day: Day, whose: Whose, runs: list[Ints], which: Ints) -> Floats:
    """(R, which): log-likelihood of the median readings of each run, from what is known of each arm without these pitches.

    An arm's mean is normal, as wide as its other pitches leave it: an arm that is known from these pitches alone may be anywhere, so
    readings as of the arm shown speak for that one.
    """
    place = np.full((len(runs), max(len(run) for run in runs)), -1)
    for n, run in enumerate(runs):
        place[n, : len(run)] = run
    # (T, M, R, which) of arms, (T, M, R, L) of readings
    arms = whose.arms
    old, seen, spread = arms.mean[:, :, which], arms.seen[:, :, which], arms.spread[:, :, None, None]
    readings, measured = day.readings[:, :, place], day.measured[:, :, place] & (place >= 0)
    counts = _near(readings, measured, old, seen, arms.spread) * whose.share[place[:, None], which[:, :, None]]
    prior, usual = arms.prior[:, :, None, None], arms.usual[:, :, None, None]
    left = np.maximum(seen - counts.sum(axis=4), 0.0)
    left_total = (seen + prior) * old - prior * usual - (counts * readings[:, :, :, None]).sum(axis=4)
    mean = (np.where(left > 1e-6, left_total, 0.0) + prior * usual) / (np.where(left > 1e-6, left, 0.0) + prior)
    number = measured.sum(axis=3)[..., None]
    middle = np.nan_to_num(medians(np.where(measured, readings, np.nan)))[..., None]
    wide = spread**2 * (1 / np.maximum(number, 1) + _WANDERS**2 + 1 / (left + prior))
    say = -0.5 * (np.log(wide) + (middle - mean) ** 2 / wide)
    return np.asarray(np.tensordot(day.weight, (number * say).sum(axis=0) / np.maximum(number.sum(axis=0), 1), 1))
