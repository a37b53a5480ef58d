"""Likelihood ratios: readings and labels."""
