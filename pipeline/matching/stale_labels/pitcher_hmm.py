"""Infer who threw each pitch of a station-day, from all trackers' labels and the pitchers' readings.

A hidden Markov model over the pitches in order (Rabiner, 1989, from memory); its state is the pitcher. Three kinds of evidence:
- who threw before: the rate at which the pitcher changes is learned from the day (one mound: low; two mounds at once: high);
- each tracker's label. An operator keeps the label or changes it, so its evidence depends on what it was before: a change to a name is
  strong evidence for that pitcher, an unchanged label is weak evidence where pitchers change. How often each tracker keeps a stale label
  is learned from the day;
- the readings that differ between pitchers: the release point or, where no tracker measures it, speed, spin and break.
Everything is learned by expectation-maximization from one day alone, so no other day can change its result.
"""

from typing import NamedTuple

import numpy as np

from pipeline.matching.data.arrays import Bools, Floats, Ints, medians


class _Rate(NamedTuple):
    """A prior rate, and the pitches that it counts for."""

    rate: float
    pitches: float


# How often a label is not changed when the pitcher changes. The three priors are guesses, no source; a day's own pitches outweigh them.
_MISSED_CHANGE = _Rate(0.3, 5.0)
# How often a wrong label stays at the next pitch of the same pitcher.
_STAYS_WRONG = _Rate(0.9, 10.0)
# How often a label is changed to a wrong name.
_SLIP = _Rate(0.01, 5.0)
# Learned rates stay between these two, so that no label is proof.
_LEAST_RATE = 0.002
_GREATEST_RATE = 0.98
# Events of a label at a pitch, see `_LabelEvents`.
_EVENTS = 6
# Prior pitches after which the same pitcher threw again; a guess, no source.
_PRIOR_STAYS = 10.0
# Prior pitches, over all other pitchers, after which another one threw; a guess, no source.
_PRIOR_CHANGES = 0.5
# Chance that the same pitcher throws again at the start of learning, with one mound in use ...
_ONE_MOUND = 0.95
# ... and with two mounds in use at once.
_TWO_MOUNDS = 0.6
# Share of pitches at which the pitcher changes above which the start for two mounds is tried, too.
_MANY_CHANGES = 0.1
# Rounds of expectation-maximization for each start, before the better one goes on.
_START_ROUNDS = 4
# Rounds at most. With 16 instead of 8, two of a hundred stale labels more were found (benchmark "all faults, two trackers").
_MOST_ROUNDS = 16
# Learning has converged when less than this share of the pitches ...
_CONVERGED_SHARE = 0.01
# ... changes its posterior by more than this.
_CONVERGED_CHANGE = 0.1
# Links of the chain that are multiplied in one block; longer products could vanish.
_BLOCK = 8
# Share of misreadings; a guess, no source.
_MISREAD = 0.03
# Readings further than this many spreads from a pitcher's mean do not count for it; a guess, no source.
_FAR = 3.5
# Prior pitches by which a pitcher's mean is drawn to that of all pitchers before anything is known; a guess, no source.
_PRIOR_PITCHES = 0.25
# Least spread within a pitcher, as a share of the spread between pitchers; a guess, no source.
_LEAST_SPREAD = 0.05
# Pitches needed to learn a spread; a guess, no source.
_SPREAD_PITCHES = 5
# Width of misreadings in spreads of all readings, as in the model of readings.
_MISREAD_WIDTH = 1.6
# Least likelihood of a reading, so that no single one outweighs everything.
_LEAST_LIKELIHOOD = 1e-100


class PitchSequence(NamedTuple):
    """The pitches of a station-day in order: P pitches, T trackers, K pitchers, M metrics.

    `label` and `previous_label` (P, T): number of the pitcher that the tracker's label names, and that its record before named (-1: none;
    `previous_label` is K for a name of another station). `readings` (T, M, P): 0 where not `measured`. `weight` (M,): each metric's weight.
    """

    label: Ints
    previous_label: Ints
    pitchers: int
    readings: Floats
    measured: Bools
    weight: Floats


class _LabelEvents(NamedTuple):
    """`event` (T, P, K): what happened to the label if pitcher k threw, as a place in all trackers' rates (`_EVENTS` each).

    The events: no label; after a right or unknown label, right or wrong; after a wrong label, right, the same wrong one, another wrong one.
    `counts` (3, 2, T, P, K): occurrences and opportunities of a missed change, of staying wrong, of a slip.
    """

    event: Ints
    counts: Floats


class _LabelRates(NamedTuple):
    """Of each tracker (T,): how often a label is not changed with the pitcher, stays wrong, is changed to a wrong name."""

    missed_change: Floats
    stays_wrong: Floats
    slip: Floats


class _PitcherReadings(NamedTuple):
    """`mean` (T, M, K) of each pitcher after `pitches` pitches, drawn to `prior_mean` (T, M) as by `prior_count` (T, M) pitches.

    `spread` (T, M): within a pitcher. `between` (T, M): between pitchers.
    """

    mean: Floats
    pitches: Floats
    prior_mean: Floats
    prior_count: Floats
    spread: Floats
    between: Floats


class Chain(NamedTuple):
    """The links from the pitcher of one pitch to that of the next.

    `change` (K, K): probability of pitcher (column) after pitcher (row), 0 on the diagonal. `stay` (K,): probability of the same.
    `label_if_changed`, `label_if_same` (P, K): likelihood of the labels where another or the same pitcher threw the pitch before.
    `reading` (P, K): likelihood of the readings, 1 for the likeliest pitcher. The first row of `label_if_changed` is 0.
    """

    change: Floats
    stay: Floats
    label_if_changed: Floats
    label_if_same: Floats
    reading: Floats


class Messages(NamedTuple):
    """Forward and backward along a chain, (P, K): `forward`, `backward` sum to 1 in each row.

    `posterior`: probability of each pitcher. `posterior_same`: that it threw this pitch and the one before. `expected_changes` (K, K).
    """

    forward: Floats
    backward: Floats
    posterior: Floats
    posterior_same: Floats
    expected_changes: Floats
    log_likelihood: float


class PitcherFit(NamedTuple):
    """`posterior` (P, K): probability of each pitcher. The rest is what the next round and `run_evidence` need.

    `transition` (K, K): how pitchers follow one another. `change_rate`: share of pitches at which the pitcher changes.
    """

    posterior: Floats
    rates: _LabelRates
    transition: Floats
    readings: _PitcherReadings
    chain: Chain
    forward: Floats
    backward: Floats
    log_likelihood: float
    change_rate: float
    converged: bool


def infer_pitchers(sequence: PitchSequence) -> PitcherFit:
    """Infer who threw each pitch. Where the pitcher seems to change often, try two starts and keep the likelier one."""
    events = _label_events(sequence)
    start = _start(sequence, events, _ONE_MOUND)._replace(posterior=_unanimous(sequence))
    best = _learn(sequence, events, start, _START_ROUNDS)
    if best.change_rate > _MANY_CHANGES:
        other = _learn(sequence, events, _start(sequence, events, _TWO_MOUNDS), _START_ROUNDS)
        best = other if other.log_likelihood > best.log_likelihood else best
    return _learn(sequence, events, best, _MOST_ROUNDS - _START_ROUNDS)


def _start(sequence: PitchSequence, events: _LabelEvents, stay: float) -> PitcherFit:
    """Return the fit by the labels alone, with the prior rates."""
    trackers, pitchers = sequence.label.shape[1], sequence.pitchers
    rates = _LabelRates(*(np.full(trackers, prior.rate) for prior in (_MISSED_CHANGE, _STAYS_WRONG, _SLIP)))
    transition = np.full((pitchers, pitchers), (1 - stay) / max(pitchers - 1, 1))
    np.fill_diagonal(transition, stay)
    return _round(sequence, events, rates, transition, _unknown_pitchers(sequence))


def _learn(sequence: PitchSequence, events: _LabelEvents, fit: PitcherFit, most: int) -> PitcherFit:
    """Run up to `most` rounds of expectation-maximization, fewer if it converges."""
    for _ in range(most):
        if fit.converged:
            break
        before, readings = fit.posterior, _learn_readings(sequence, fit.posterior, fit.readings)
        fit = _round(sequence, events, fit.rates, fit.transition, readings)
        changed = np.abs(fit.posterior - before).max(axis=1) > _CONVERGED_CHANGE
        fit = fit._replace(converged=bool(changed.mean() < _CONVERGED_SHARE))
    return fit


def _round(
    sequence: PitchSequence,
    events: _LabelEvents,
    rates: _LabelRates,
    transition: Floats,
    readings: _PitcherReadings,
) -> PitcherFit:
    """Run forward-backward once, and learn label rates and transitions from it."""
    log_reading = _reading_log_likelihood(sequence, readings)
    top = log_reading.max(axis=1, keepdims=True)
    if_changed, if_same = _label_likelihoods(events, rates, sequence.pitchers)
    if_changed[:1] = 0.0
    stay = np.diagonal(transition)
    chain = Chain(transition - np.diag(stay), stay, if_changed, if_same, np.exp(log_reading - top))
    messages = forward_backward(chain)
    stays = np.diag(_PRIOR_STAYS + messages.posterior_same[1:].sum(axis=0))
    expected = messages.expected_changes + _PRIOR_CHANGES / sequence.pitchers + stays
    transition = expected / expected.sum(axis=1, keepdims=True)
    rates = _learn_rates(events, messages)
    log_likelihood = messages.log_likelihood + float(top.sum())
    log_likelihood = log_likelihood + _log_prior(rates, transition) - _mean_cost(sequence, readings)
    change_rate = 1 - float(messages.posterior_same[1:].sum(axis=1).mean()) if len(log_reading) > 1 else 0.0
    return PitcherFit(
        posterior=messages.posterior,
        rates=rates,
        transition=transition,
        readings=readings,
        chain=chain,
        forward=messages.forward,
        backward=messages.backward,
        log_likelihood=log_likelihood,
        change_rate=change_rate,
        converged=False,
    )


def _unanimous(sequence: PitchSequence) -> Floats:
    """Return (P, K) 1 where two trackers or more name the pitcher and none names another."""
    named = sequence.label[:, :, None] == np.arange(sequence.pitchers)
    count = named.sum(axis=1)
    return np.asarray((count >= 2) & (count == (sequence.label >= 0).sum(axis=1)[:, None]), dtype=float)


# ---- labels --------------------------------------------------------------------------------------------------------------------------------


def _label_events(sequence: PitchSequence) -> _LabelEvents:
    label, previous = sequence.label.T[:, :, None], sequence.previous_label.T[:, :, None]
    pitcher = np.arange(sequence.pitchers)
    known, right, was_right = label >= 0, label == pitcher, (previous == pitcher) | (previous < 0)
    kept_wrong, after_wrong, after_right = (label == previous) & ~right, known & ~was_right, known & was_right
    event = np.where(was_right, np.where(right, 1, 2), np.where(right, 3, np.where(kept_wrong, 4, 5)))
    counts = np.array(
        [
            (after_wrong & kept_wrong, after_wrong),
            (after_wrong & kept_wrong, after_wrong),
            (after_right & ~right, after_right),
        ],
        dtype=float,
    )
    event = np.where(known, event, 0) + _EVENTS * np.arange(len(event))[:, None, None]
    return _LabelEvents(event, counts)


def _label_likelihoods(events: _LabelEvents, rates: _LabelRates, pitchers: int) -> Floats:
    """Return (2, P, K) the likelihood of the labels where another pitcher threw the pitch before, and where the same one did."""
    wrong, kept = rates.slip / max(pitchers - 1, 1), np.array([rates.missed_change, rates.stays_wrong])
    likelihood = np.ones((2, len(wrong), _EVENTS))
    likelihood[:, :, 1], likelihood[:, :, 2] = 1 - rates.slip, wrong
    likelihood[:, :, 3], likelihood[:, :, 4], likelihood[:, :, 5] = 1 - kept, kept, wrong
    return np.asarray(likelihood.reshape(2, -1).take(events.event, axis=1).prod(axis=1))


def _learn_rates(events: _LabelEvents, messages: Messages) -> _LabelRates:
    """Count missed changes over changes of pitcher, labels that stay wrong over pitches of the same pitcher, and slips over all."""
    changed = np.maximum(messages.posterior - messages.posterior_same, 0.0)
    weight = np.array([changed, messages.posterior_same, messages.posterior])
    seen = (events.counts.reshape(*events.counts.shape[:3], -1) @ weight.reshape(3, 1, -1, 1))[..., 0].swapaxes(0, 1)
    rate, pitches = np.array([_MISSED_CHANGE, _STAYS_WRONG, _SLIP]).T[:, :, None]
    return _LabelRates(*np.clip((seen[0] + rate * pitches) / (seen[1] + pitches), _LEAST_RATE, _GREATEST_RATE))


# ---- readings ------------------------------------------------------------------------------------------------------------------------------


def _unknown_pitchers(sequence: PitchSequence) -> _PitcherReadings:
    """Return pitchers who are all alike: the median (T, M) of all readings, and 1.4826 times the median distance from it."""
    readings = np.where(sequence.measured, sequence.readings, np.nan)
    middle = medians(readings)
    between = np.maximum(np.nan_to_num(1.4826 * medians(np.abs(readings - middle[:, :, None]))), 1e-6)
    middle = np.nan_to_num(middle)
    zeros = np.zeros((*middle.shape, sequence.pitchers))
    prior_count = np.full_like(middle, _PRIOR_PITCHES)
    return _PitcherReadings(zeros + middle[:, :, None], zeros, middle, prior_count, between, between)


def _learn_readings(sequence: PitchSequence, posterior: Floats, old: _PitcherReadings) -> _PitcherReadings:
    """Learn each pitcher's robust means as each tracker reads them, and the spread within pitchers.

    A mean is drawn to that of all pitchers by a normal prior as wide as pitchers are apart: an unknown pitcher may be anywhere.
    """
    spread = old.spread if old.pitches.any() else _first_spread(sequence, posterior, old.between)
    near = is_near(sequence.readings, sequence.measured, old.mean, old.pitches, old.spread)
    weight = np.ascontiguousarray(posterior.T) * near
    count, total = weight.sum(axis=3), _weighted_sum(weight, sequence.readings)
    width = np.maximum(old.between, 2 * spread)
    prior_count = (spread / width) ** 2
    mean = (total + (prior_count * old.prior_mean)[:, :, None]) / (count + prior_count[:, :, None])
    spread = _learn_spread(sequence, weight, mean, spread, old.between)
    return _PitcherReadings(mean, count, old.prior_mean, (spread / width) ** 2, spread, old.between)


def _first_spread(sequence: PitchSequence, posterior: Floats, between: Floats) -> Floats:
    """Return the spread about the mean of the pitcher that the trackers agree on, where they do."""
    weight = posterior.T * sequence.measured[:, :, None]
    mean = _weighted_sum(weight, sequence.readings) / np.maximum(weight.sum(axis=3), 1.0)
    sure, pitcher = posterior.max(axis=1) > 0.5, posterior.argmax(axis=1)
    distance = np.where(sequence.measured, np.abs(sequence.readings - mean[:, :, pitcher]), np.nan)[:, :, sure]
    middle = medians(distance)
    return np.clip(np.where(np.isnan(middle), between, 1.4826 * middle), _LEAST_SPREAD * between, between)


def _weighted_sum(weight: Floats, readings: Floats) -> Floats:
    """Return (T, M, K) the sum over the pitches of weight times reading."""
    return np.asarray((weight @ readings[..., None])[..., 0])


def is_near(readings: Floats, measured: Bools, mean: Floats, count: Floats, spread: Floats) -> Bools:
    """Return (T, M, ..., K, P) whether a reading (T, M, ..., P) is near the mean (T, M, ..., K), as far as that is known."""
    wide = spread.reshape(*spread.shape, *(1,) * (count.ndim - 2))
    far = np.where(count > 0, _FAR * wide, np.inf)
    near = np.abs(readings[..., None, :] - mean[..., None]) < far[..., None]
    near &= measured[..., None, :]
    return np.asarray(near)


def _learn_spread(sequence: PitchSequence, weight: Floats, mean: Floats, old: Floats, between: Floats) -> Floats:
    """Return the spread about the pitchers' means; the old one where there are hardly any readings."""
    square = sequence.readings[:, :, None] - mean[..., None]
    square *= square
    square *= weight
    total, each = square.sum(axis=(2, 3)), weight.sum(axis=3)
    count, means = each.sum(axis=2), np.minimum(each, 1.0).sum(axis=2)
    new = np.sqrt(total / np.maximum(count - means, 1.0))
    return np.clip(np.where(count > _SPREAD_PITCHES, new, old), _LEAST_SPREAD * between, None)


def _reading_log_likelihood(sequence: PitchSequence, readings: _PitcherReadings) -> Floats:
    """Return (P, K) the log-likelihood of the readings: a mean over the trackers that have one, because they saw the same pitch.

    A normal about the pitcher's mean, widened by the mean's uncertainty, with a share of misreadings as wide as pitchers are apart.
    """
    variance = readings.spread[:, :, None] ** 2 * (1 + 1 / (readings.pitches + readings.prior_count[:, :, None]))
    apart = np.hypot(np.maximum(readings.between, 2 * readings.spread), readings.spread)
    wide = _MISREAD_WIDTH * apart[:, :, None, None]
    square = sequence.readings[:, :, None] - readings.mean[..., None]
    square *= square
    likelihood = np.exp(square * (-0.5 / variance)[..., None])
    likelihood *= ((1 - _MISREAD) / np.sqrt(variance))[..., None]
    square *= -0.5 / wide**2
    likelihood += _MISREAD / wide * np.exp(square)
    trackers = np.maximum(sequence.measured.sum(axis=0), 1)
    share = sequence.measured / trackers * sequence.weight[:, None]
    # Where no reading shows how far apart pitchers are, both parts vanish.
    log_likelihood = np.log(np.maximum(likelihood, _LEAST_LIKELIHOOD)) * share[:, :, None]
    return np.asarray(log_likelihood.sum(axis=(0, 1)).T)


# ---- the chain -----------------------------------------------------------------------------------------------------------------------------


def forward_backward(chain: Chain) -> Messages:
    """Pass messages along the chain in both directions (Rabiner, 1989).

    The labels' likelihood after a change does not depend on who threw before, which spares sums over pairs of pitchers.
    """
    change, stay = chain.label_if_changed * chain.reading, chain.label_if_same * chain.stay * chain.reading
    links = change[:, None, :] * chain.change
    diagonal = np.arange(len(chain.stay))
    links[:, diagonal, diagonal] = stay
    forward, backward = _pass_messages(np.stack([links, links[::-1].swapaxes(1, 2)]))
    backward = backward[::-1]
    reached = (forward @ chain.change) * change + forward * stay
    weight = backward / (reached * backward).sum(axis=1, keepdims=True)
    return Messages(
        forward=forward,
        backward=backward,
        posterior=reached * weight,
        posterior_same=forward * stay * weight,
        expected_changes=chain.change * (forward.T @ (change * weight)),
        log_likelihood=float(np.log(reached.sum(axis=1)).sum()),
    )


def _pass_messages(links: Floats) -> Floats:
    """Return (directions, links, K), each summing to 1, the message before each link; that before the first is flat.

    `links` is (directions, links, K, K). The links of all blocks are multiplied at once; messages between blocks are found the same way.
    """
    directions, count, pitchers = links.shape[:3]
    blocks = -(-count // _BLOCK)
    padded = np.empty((directions, blocks * _BLOCK, pitchers, pitchers))
    padded[:, :count], padded[:, count:] = links, np.eye(pitchers)
    padded = padded.reshape(directions, blocks, _BLOCK, pitchers, pitchers)
    product = padded.copy()
    for n in range(1, _BLOCK):
        np.matmul(product[:, :, n - 1], padded[:, :, n], out=product[:, :, n])
    message = np.full((directions, blocks, _BLOCK, pitchers), 1 / pitchers)
    if blocks > 1:
        block_link = product[:, :, -1]
        message[:, :, 0] = _pass_messages(block_link / block_link.max(axis=(2, 3), keepdims=True))
    message[:, :, 1:] = np.matmul(message[:, :, :1, None], product[:, :, :-1])[:, :, :, 0]
    message = message.reshape(directions, -1, pitchers)[:, :count]
    return np.asarray(message / message.sum(axis=2, keepdims=True))


def _log_prior(rates: _LabelRates, transition: Floats) -> float:
    """Return the log prior of the learned rates and transitions."""
    pitchers = len(transition)
    total = float(((_PRIOR_CHANGES / pitchers + _PRIOR_STAYS * np.eye(pitchers)) * np.log(transition)).sum())
    for learned, (rate, pitches) in zip(rates, (_MISSED_CHANGE, _STAYS_WRONG, _SLIP), strict=True):
        total += pitches * float((rate * np.log(learned) + (1 - rate) * np.log(1 - learned)).sum())
    return total


def _mean_cost(sequence: PitchSequence, readings: _PitcherReadings) -> float:
    """Return the cost of learned means: log of prior over posterior width (Laplace's approximation).

    Without it, names that a day does not need would get readings of their own and make any labels fit.
    """
    cost = 0.5 * np.log1p(readings.pitches / readings.prior_count[:, :, None])
    count = readings.pitches.sum(axis=0)
    mean_cost = (readings.pitches * cost).sum(axis=0) / np.maximum(count, 1e-9)
    return float((mean_cost * sequence.weight[:, None]).sum())
