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

from pipeline.matching.arrays import Bools, Floats, Ints, medians

# chances before anything is seen, and the pitches that this counts for: a label is forgotten at a change of arm, stays wrong from one
# pitch to the next, is changed to something wrong; guesses, no source: the day's own pitches soon outweigh them
_FORGOTTEN, _STAYS_WRONG, _SLIPS = (0.3, 5.0), (0.9, 10.0), (0.01, 5.0)
_LEAST_CHANCE, _MOST_CHANCE = 0.002, 0.98
# pitches that an arm's staying on and, over all other arms, its leaving count for before anything is seen
_STAYS_ON, _LEAVES = 10.0, 0.5
# the two starts: one arm after the other, and arms that throw by turns on two mounds
_ONE_MOUND, _TWO_MOUNDS, _BY_TURNS = 0.95, 0.6, 0.1
_TRIED, _MOST_ROUNDS = 4, 8
# it has settled when all but this share of the pitches change by less than so much
_UNSETTLED, _SETTLED = 0.01, 0.1
# pitches that messages along the chain pass at once; then they are kept from vanishing
_BLOCK = 12
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
    """(T, K, P), if the arm is k: the label is right; the label before was right already (or is not known); it was left standing.

    `counts` (3, 2, T, K, P): what happened and what could have, of a label's being forgotten, staying wrong, slipping.
    """

    known: Bools
    right: Bools
    fresh: Bools
    standing: Bools
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


class Whose(NamedTuple):
    """`share` (P, K): probability that the pitch is the arm's. The rest is what the next round and `support` need: the habits of labels;
    how arms follow one another (K, K); their readings; `step` (P, K, K), chance of this arm after that one and of the labels; `say`
    (P, K), log-likelihood of the readings; messages (P, K); how well all fits; how often the arm changes; whether it has settled."""

    share: Floats
    habits: _Habits
    follows: Floats
    arms: _Arms
    step: Floats
    say: Floats
    forward: Floats
    backward: Floats
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


def support(day: Day, whose: Whose, pitches: Ints, shown: int, proposed: int) -> float:
    """Log-likelihood ratio (nats) of all `pitches` being the `proposed` arm's against their being that of the label `shown`."""
    arms = np.array([shown, proposed])
    total = np.add(_held(whose, pitches, arms), _readings_of_run(day, whose, pitches, arms))
    return _KEPT * float(total[1] - total[0])


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
    say, step = _reading_say(day, arms), _label_step(labels, habits) * follows
    step[0] *= np.eye(day.names)
    forward, backward, fit = messages(step, say)
    share, stays, follows = posterior(step, say, forward, backward)
    habits = _learn_habits(labels, share, stays)
    fit += _prior(habits, follows) - _room(day, arms)
    changes = 1 - float(stays[1:].sum(axis=1).mean()) if len(stays) > 1 else 0.0
    return Whose(share, habits, follows, arms, step, say, forward, backward, fit, changes, settled=False)


def _agreed(day: Day) -> Floats:
    """(P, K): 1 where two trackers or more agree on the name and none says otherwise."""
    told = day.told[:, :, None] == np.arange(day.names)
    count = told.sum(axis=1)
    return np.asarray((count >= 2) & (count == (day.told >= 0).sum(axis=1)[:, None]), dtype=float)


# ---- labels --------------------------------------------------------------------------------------------------------------------------------


def _read_labels(day: Day) -> _Labels:
    told, before, arm = day.told.T[:, None], day.before.T[:, None], np.arange(day.names)[:, None]
    known, right, fresh = told >= 0, told == arm, (before == arm) | (before < 0)
    standing, old, new = (told == before) & ~right, known & ~fresh, known & fresh
    counts = np.array([(old & standing, old), (old & standing, old), (new & ~right, new)], dtype=float)
    return _Labels(known, right, fresh, standing, counts)


def _label_step(labels: _Labels, habits: _Habits) -> Floats:
    """(P, K, K): likelihood of the labels where the arm of the pitch before is the first and that of this pitch the second."""
    arms = labels.right.shape[1]
    forgotten, stays_wrong, slips = (chance[:, None, None] for chance in habits)
    wrong = slips / max(arms - 1, 1)
    fresh = np.where(labels.right, 1 - slips, wrong)
    by_change, by_stay = (
        np.where(labels.fresh, fresh, np.where(labels.right, 1 - left, np.where(labels.standing, left, wrong)))
        for left in (forgotten, stays_wrong)
    )
    change, stay = (np.where(labels.known, p, 1.0).prod(axis=0).T for p in (by_change, by_stay))
    return np.asarray(np.where(np.eye(arms, dtype=bool), stay[:, :, None], change[:, None, :]))


def _learn_habits(labels: _Labels, share: Floats, stays: Floats) -> _Habits:
    """Chances counted over the pitches, (P, K) each: whose they are, and whose they are by the same arm as the pitch before."""
    weight = np.array([np.maximum(share - stays, 0.0).T, stays.T, share.T])
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
    far = np.where(arms.seen > 0, _FAR * arms.spread[:, :, None], np.inf)
    near = np.abs(day.readings[:, :, None] - arms.mean[..., None]) < far[..., None]
    near &= day.measured[:, :, None]
    return np.ascontiguousarray(share.T) * near


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


def messages(step: Floats, say: Floats) -> tuple[Floats, Floats, float]:
    """Forward and backward messages (P, K), each summing to 1, and the log-likelihood of everything."""
    top = say.max(axis=1)
    links = step * np.exp(say - top[:, None])[:, None, :]
    both = np.array([links, np.broadcast_to(np.eye(links.shape[1]), links.shape)])
    both[1, :-1] = links[:0:-1].swapaxes(1, 2)
    (forward, backward), fit = _passed_on(both)
    return forward[1:], backward[-2::-1], float(fit[0] + top.sum())


def _passed_on(links: Floats) -> tuple[Floats, Floats]:
    """(ways, links + 1, K): a flat message each way, and what becomes of it link by link, each summing to 1; and the logs of what it came to.

    The links of all blocks are multiplied at once, so that only the blocks are gone through one by one.
    """
    ways, count, arms = links.shape[:3]
    blocks = -(-count // _BLOCK)
    so_far = np.empty((ways, blocks * _BLOCK, arms, arms))
    so_far[:, :count], so_far[:, count:] = links, np.eye(arms)
    so_far = so_far.reshape(ways, blocks, _BLOCK, arms, arms)
    for n in range(1, _BLOCK):
        np.matmul(so_far[:, :, n - 1], so_far[:, :, n].copy(), out=so_far[:, :, n])
    start, scale = np.full((blocks + 1, ways, 1, arms), 1 / arms), np.empty((blocks, ways, 1, 1))
    for block in range(blocks):
        after = np.matmul(start[block], so_far[:, block, -1], out=start[block + 1])
        after /= after.sum(axis=2, keepdims=True, out=scale[block])
    message = np.matmul(start[:-1].swapaxes(0, 1)[:, :, None], so_far).reshape(ways, -1, arms)[:, :count]
    message = np.concatenate([np.full((ways, 1, arms), 1 / arms), message], axis=1)
    return message / message.sum(axis=2, keepdims=True), np.log(scale).sum(axis=(0, 2, 3))


def posterior(step: Floats, say: Floats, forward: Floats, backward: Floats) -> tuple[Floats, Floats, Floats]:
    """(P, K) whose a pitch is; (P, K) whose it is when the pitch before was the same arm's; (K, K) how arms follow one another."""
    share = forward * backward
    share /= share.sum(axis=1, keepdims=True)
    onward = backward[1:] * np.exp(say[1:] - say[1:].max(axis=1, keepdims=True))
    both = forward[:-1, :, None] * step[1:] * onward[:, None, :]
    both /= both.sum(axis=(1, 2), keepdims=True)
    arms = share.shape[1]
    seen = both.sum(axis=0) + _LEAVES / arms + _STAYS_ON * np.eye(arms)
    stays = np.concatenate([share[:1], np.diagonal(both, axis1=1, axis2=2)])
    return share, stays, seen / seen.sum(axis=1, keepdims=True)


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


def _held(whose: Whose, pitches: Ints, arms: Ints) -> Floats:
    """(arms,): log-likelihood of all but the readings of `pitches` when all of these are that arm's, up to what no arm changes."""
    first, last = int(pitches[0]), int(pitches[-1])
    names = whose.share.shape[1]
    before = whose.forward[first - 1] if first else np.full(names, 1 / names)
    follows = np.flatnonzero(np.diff(pitches) == 1) + 1
    total = _log(before @ whose.step[first][:, arms]) + _log(whose.backward[last, arms])
    total += _log(whose.step[pitches[follows][:, None], arms, arms]).sum(axis=0)
    for at in np.flatnonzero(np.diff(pitches) > 1).tolist():
        total += _log(_past_others(whose, int(pitches[at]), int(pitches[at + 1]), arms))
    return np.asarray(total)


def _past_others(whose: Whose, one: int, next_one: int, arms: Ints) -> Floats:
    """(arms,): likelihood that an arm that threw one pitch throws a later one, whoever threw those in between, up to what no arm changes."""
    message = np.eye(whose.share.shape[1])[arms]
    for p in range(one + 1, next_one):
        message = message @ whose.step[p] * np.exp(whose.say[p] - whose.say[p].max())
        # whatever becomes of both arms alike says nothing
        message /= message.max() + 1e-300
    return np.asarray((message @ whose.step[next_one])[np.arange(len(arms)), arms])


def _log(likelihood: Floats) -> Floats:
    return np.asarray(np.log(likelihood + 1e-300))


def _readings_of_run(day: Day, whose: Whose, pitches: Ints, which: Ints) -> Floats:
    """(which,): log-likelihood of the median readings of `pitches`, from what is known of each arm without these pitches.

    An arm's mean is normal, as wide as its other pitches leave it: an arm that is known from these pitches alone may be anywhere, so
    readings as of the arm shown speak for that one.
    """
    arms = whose.arms
    arms, spread = arms._replace(mean=arms.mean[:, :, which], seen=arms.seen[:, :, which]), arms.spread[:, :, None]
    run = day._replace(readings=day.readings[:, :, pitches], measured=day.measured[:, :, pitches])
    of_run = _counts_for(run, whose.share[pitches][:, which], arms)
    prior, usual = arms.prior[:, :, None], arms.usual[:, :, None]
    left = np.maximum(arms.seen - of_run.sum(axis=3), 0.0)
    left_total = (arms.seen + prior) * arms.mean - prior * usual - _added_up(of_run, run.readings)
    mean = (np.where(left > 1e-6, left_total, 0.0) + prior * usual) / (np.where(left > 1e-6, left, 0.0) + prior)
    measured = run.measured.sum(axis=2)[:, :, None]
    middle = np.nan_to_num(medians(np.where(run.measured, run.readings, np.nan)))[:, :, None]
    wide = spread**2 * (1 / np.maximum(measured, 1) + _WANDERS**2 + 1 / (left + prior))
    say = -0.5 * (np.log(wide) + (middle - mean) ** 2 / wide)
    return np.asarray(day.weight @ ((measured * say).sum(axis=0) / np.maximum(measured.sum(axis=0), 1)))
