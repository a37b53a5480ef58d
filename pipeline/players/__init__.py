"""Resolve labels to players."""
