"""Drift of a tracker, with its date."""
