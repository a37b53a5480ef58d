"""Schedule, retry, limit and report a run."""
