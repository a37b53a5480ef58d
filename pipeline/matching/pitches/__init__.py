"""Group matched sightings into pitches, and shape the result tables."""
