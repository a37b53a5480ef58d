"""Invented worlds with their truth, for tests and the demo."""
