"""Sightings into pitches: which records of several trackers are one throw, and how sure that is."""

from pipeline.matching.matched import Matched, MatchSettings, calibrate, match_sightings
from pipeline.matching.wording import explain_pair, explain_pairs

__all__ = ["MatchSettings", "Matched", "calibrate", "explain_pair", "explain_pairs", "match_sightings"]
