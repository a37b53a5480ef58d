"""Crooked set-ups in degrees and inches, and their corrections."""
