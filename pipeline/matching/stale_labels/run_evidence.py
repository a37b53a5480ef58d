"""Weigh a run of pitches: the evidence that a proposed pitcher threw it and not the one that the label shows."""

import numpy as np

from pipeline.matching.data.arrays import Floats, Ints, medians
from pipeline.matching.stale_labels.pitcher_hmm import Chain, PitcherFit, PitchSequence, is_near

# Share of a log-likelihood ratio that counts: errors repeat over a stint. Unscaled, 8 nats were right 4 times of 5 ("all faults").
_SCALE = 0.25
# Between stints a pitcher's release moves by this share of its spread; a guess, no source.
_STINT_SHIFT = 0.25
# Keeps logarithms and quotients of vanishing likelihoods finite.
_TINY = 1e-300


def run_evidence(sequence: PitchSequence, fit: PitcherFit, runs: list[Ints], shown: Ints, proposed: Ints) -> Floats:
    """Return for each run of pitches (ascending) the log-likelihood ratio, in nats, of the `proposed` pitcher to the one `shown`.

    Each hypothesis gives all pitches of the run to one pitcher.
    """
    if not runs:
        return np.zeros(0)
    pitchers = np.stack([shown, proposed], axis=1)
    total = _chain_likelihood(fit, runs, pitchers) + _reading_likelihood(sequence, fit, runs, pitchers)
    return np.asarray(_SCALE * (total[:, 1] - total[:, 0]))


def _chain_likelihood(fit: PitcherFit, runs: list[Ints], pitchers: Ints) -> Floats:
    """Return (runs, pitchers) the log-likelihood of everything but the run's readings, given that one pitcher threw the run.

    It holds up to a constant that is the same for all pitchers.
    """
    chain = fit.chain
    first, last = np.array([run[0] for run in runs]), np.array([run[-1] for run in runs])
    total = _log(_arrive(chain, fit.forward[first][:, None], first, pitchers)) + _log(
        fit.backward[last[:, None], pitchers]
    )
    pitches, run_of = np.concatenate(runs), np.repeat(np.arange(len(runs)), [len(run) for run in runs])
    later = np.flatnonzero(np.diff(run_of, prepend=-1) == 0)
    gap, own = pitches[later] - pitches[later - 1], pitchers[run_of[later]]
    stay = chain.label_if_same[pitches[later][:, None], own] * chain.stay[own]
    onward = np.where((gap == 1)[:, None], stay, 1.0)
    apart = np.flatnonzero(gap > 1)
    onward[apart] = _pass_other_pitches(chain, pitches[later - 1][apart], pitches[later][apart], own[apart])
    np.add.at(total, run_of[later], _log(onward))
    return total


def _arrive(chain: Chain, message: Floats, pitch: Ints, pitchers: Ints) -> Floats:
    """Return (N, pitchers) the likelihood that each threw the pitch, with its labels, after a message (N, 1 or pitchers, K)."""
    each, column = np.arange(len(pitchers))[:, None], np.arange(pitchers.shape[1])
    own = column if message.shape[1] > 1 else 0 * column
    changed = (message @ chain.change)[each, own, pitchers] * chain.label_if_changed[pitch[:, None], pitchers]
    same = message[each, own, pitchers] * chain.stay[pitchers] * chain.label_if_same[pitch[:, None], pitchers]
    return np.asarray(changed + same)


def _pass_other_pitches(chain: Chain, start: Ints, end: Ints, pitchers: Ints) -> Floats:
    """Return (N, pitchers) the likelihood that who threw `start` threw `end`, whoever threw the pitches between.

    It holds up to a constant that is the same for all pitchers.
    """
    message = np.eye(len(chain.stay))[pitchers]
    for n in range(1, int((end - start).max(initial=1))):
        active = np.flatnonzero(start + n < end)
        pitch, old = start[active] + n, message[active]
        new = (old @ chain.change) * chain.label_if_changed[pitch][:, None]
        new += old * (chain.stay * chain.label_if_same[pitch])[:, None]
        new *= chain.reading[pitch][:, None]
        message[active] = new / (new.max(axis=(1, 2), keepdims=True) + _TINY)
    return _arrive(chain, message, end, pitchers)


def _log(likelihood: Floats) -> Floats:
    return np.asarray(np.log(likelihood + _TINY))


def _reading_likelihood(sequence: PitchSequence, fit: PitcherFit, runs: list[Ints], pitchers: Ints) -> Floats:
    """Return (runs, pitchers) the log-likelihood of each run's median readings, by each pitcher's other pitches.

    A pitcher's mean is as uncertain as those leave it. A pitcher known from this run alone may be anywhere, so readings like those of
    the pitcher shown are evidence for that one.
    """
    place = np.full((len(runs), max(len(run) for run in runs)), -1)
    for n, run in enumerate(runs):
        place[n, : len(run)] = run
    # By pitcher: (T, M, runs, pitchers). By reading: (T, M, runs, longest run).
    learned = fit.readings
    old, count = learned.mean[:, :, pitchers], learned.pitches[:, :, pitchers]
    spread = learned.spread[:, :, None, None]
    readings, measured = sequence.readings[:, :, place], sequence.measured[:, :, place] & (place >= 0)
    near = is_near(readings, measured, old, count, learned.spread)
    own = near * fit.posterior[place[:, None], pitchers[:, :, None]]
    prior_count, prior_mean = learned.prior_count[:, :, None, None], learned.prior_mean[:, :, None, None]
    others = np.maximum(count - own.sum(axis=4), 0.0)
    others_sum = (count + prior_count) * old - prior_count * prior_mean - (own * readings[:, :, :, None]).sum(axis=4)
    known = others > 1e-6
    mean = (np.where(known, others_sum, 0.0) + prior_count * prior_mean) / (np.where(known, others, 0.0) + prior_count)
    number = measured.sum(axis=3)[..., None]
    middle = np.nan_to_num(medians(np.where(measured, readings, np.nan)))[..., None]
    variance = spread**2 * (1 / np.maximum(number, 1) + _STINT_SHIFT**2 + 1 / (others + prior_count))
    log_likelihood = -0.5 * (np.log(variance) + (middle - mean) ** 2 / variance)
    by_metric = (number * log_likelihood).sum(axis=0) / np.maximum(number.sum(axis=0), 1)
    return np.asarray(np.tensordot(sequence.weight, by_metric, 1))
