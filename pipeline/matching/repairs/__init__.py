"""Repairs: what to try when the first search for a clock or for the readings' bias was wrong."""
