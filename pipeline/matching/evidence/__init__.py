"""Likelihood ratios of a pair of records: their readings, labels and times."""
