"""Repairs: what to try when the first clocks or biases were wrong."""
