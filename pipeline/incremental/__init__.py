"""What changed since the last run, and what it affects."""
