"""Align the sightings of two files: pair hidden Markov model, forward-backward."""
