"""Whether two trackers agree, by two one-sided tests against the tolerance.

Absence of a clear difference is not agreement. Two trackers agree where the 90 % interval of their bias lies within the tolerance: both
one-sided tests reject at 5 % (Schuirmann, J Pharmacokinet Biopharm 1987;15:657). They differ where the 95 % interval lies beyond it.
"""

from typing import NamedTuple

import numpy as np

# Values of column equivalence of table agreement.
AGREES, DIFFERENT, UNDECIDED = "agrees", "different", "not enough data"
# Further nights that are looked ahead at most.
MOST_NIGHTS_AHEAD = 200


class Equivalence(NamedTuple):
    """Verdicts, and about how many more nights would decide; nan where decided, or where 200 would not."""

    equivalence: np.ndarray
    more_nights: np.ndarray


class Bias(NamedTuple):
    """Biases with their 95 % intervals, the nights and pitches behind them, and the tolerance; arrays of one shape."""

    bias: np.ndarray
    low: np.ndarray
    high: np.ndarray
    nights: np.ndarray
    pitches: np.ndarray
    tolerance: np.ndarray


class Least(NamedTuple):
    """Nights and pitches that a verdict needs at least."""

    nights: int
    pitches: int


def judge_equivalence(bias: Bias, least: Least) -> Equivalence:
    """Test each bias against its tolerance."""
    from scipy.special import stdtrit

    bias = Bias(*(np.asarray(column, float).ravel() for column in bias))
    df = np.maximum(bias.nights - 1, 1)
    half_90 = (bias.high - bias.low) / 2 * stdtrit(df, 0.95) / stdtrit(df, 0.975)
    enough = (bias.nights >= least.nights) & (bias.pitches >= least.pitches)
    agrees = enough & (np.abs(bias.bias) + half_90 < bias.tolerance)
    different = enough & ((bias.low > bias.tolerance) | (bias.high < -bias.tolerance))
    verdict = np.where(agrees, AGREES, np.where(different, DIFFERENT, UNDECIDED)).astype(object)
    return Equivalence(verdict, np.where(verdict == UNDECIDED, _more_nights(bias, least), np.nan))


def _more_nights(bias: Bias, least: Least) -> np.ndarray:
    """Return how many more nights like these would decide, if the bias stayed as it is."""
    from scipy.special import stdtrit

    ahead = np.arange(1, MOST_NIGHTS_AHEAD + 1)
    nights = bias.nights[:, None] + ahead
    margin = np.abs(np.abs(bias.bias) - bias.tolerance)[:, None]
    # inside the tolerance a one-sided 5 % test decides, beyond it a two-sided one
    level = np.where(np.abs(bias.bias) < bias.tolerance, 0.95, 0.975)[:, None]
    sd_of_nights = (bias.high - bias.low) / 2 / stdtrit(np.maximum(bias.nights - 1, 1), 0.975) * np.sqrt(bias.nights)
    # of one night the interval is that of its pitches, and says nothing of other nights
    sd_of_nights = np.where(bias.nights > 1, np.nan_to_num(sd_of_nights), 0.0)[:, None]
    decided = stdtrit(nights - 1, level) * sd_of_nights / np.sqrt(nights) < margin
    decided &= nights >= np.maximum(least.nights, least.pitches * bias.nights / np.maximum(bias.pitches, 1))[:, None]
    return np.where(decided.any(axis=1), ahead[np.argmax(decided, axis=1)], np.nan)
