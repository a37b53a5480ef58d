"""Match sightings into pitches: which records of several trackers are one pitch, and how probable that is.

README.md explains the method. The way of the data: `data` puts sightings into arrays, streams and stream pairs; `clocks`
finds offset, drift and steps of a clock; `evidence` weighs a pair of records by readings, labels and time; `alignment`
turns evidence into posteriors (pair hidden Markov model, forward-backward); `learning` fits the models (expectation-
maximization) and pools them over days; `repairs` proposes other clocks where the first ones were wrong; `fit` puts these
in order; `pitches` and `stale_labels` make the result; `match` is the entry.
"""

from pipeline.matching.explain import explain_pair, explain_pairs
from pipeline.matching.learning.training_window import days_to_match
from pipeline.matching.match import Matched, MatchSettings, calibrate, match_sightings

__all__ = ["MatchSettings", "Matched", "calibrate", "days_to_match", "explain_pair", "explain_pairs", "match_sightings"]
