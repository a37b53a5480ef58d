"""Match sightings into pitches, each pair of records with its probability.

README.md explains the method. From bottom to top:
- `data`: sightings as arrays, streams, stream pairs
- `evidence`: likelihood ratios of a pair of records, by readings, labels and time
- `clocks`: offset, drift and steps between two clocks
- `alignment`: evidence into posteriors (pair hidden Markov model, forward-backward)
- `learning`: models of readings and labels (expectation-maximization), pooled over days
- `repairs`: other clocks and biases where the first ones were wrong
- `fit`: these steps in order
- `pitches`, `stale_labels`: posteriors into pitches and tables
- `match`: the entry
"""

from pipeline.matching.explain import explain_pair, explain_pairs
from pipeline.matching.learning.training_window import days_to_match
from pipeline.matching.match import Matched, MatchSettings, calibrate, match_sightings

__all__ = ["MatchSettings", "Matched", "calibrate", "days_to_match", "explain_pair", "explain_pairs", "match_sightings"]
