"""Align two streams: which records to compare, and the posterior of each pair."""
