"""Sightings into pitches: which records of several trackers are one throw, and how sure that is."""

from pipeline.matching.matched import Matched, MatchSettings, calibrate, match_sightings

__all__ = ["MatchSettings", "Matched", "calibrate", "match_sightings"]
