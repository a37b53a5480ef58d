"""Sightings into pitches: which records of several trackers are one throw, and how sure that is.

The way through (`matched.py` holds the steps in order): `records` puts the sightings into arrays and streams, in the device's `ordering`;
`clock` finds how far two clocks are apart; `bands` says which pairs are worth comparing; `readings` and `labels` weigh them; `alignment`
turns evidence into probabilities; `fitting` is one such round, `calibrating` learns the models, day by day and then over the days that `feeding` names;
`doubles`, `grouping`, `decided` make pitches of it; `tables`, `clock_report`, `label_runs` and `wording` tell the outcome (`spellings`
and `arms` say whose throws they were); `stations` finds where a roaming tracker stood.
"""

from pipeline.matching.explain import explain_pair, explain_pairs
from pipeline.matching.learning.training_window import days_to_match
from pipeline.matching.match import Matched, MatchSettings, calibrate, match_sightings

__all__ = ["MatchSettings", "Matched", "calibrate", "days_to_match", "explain_pair", "explain_pairs", "match_sightings"]
