"""Offset, drift and steps between the clocks of two streams."""
