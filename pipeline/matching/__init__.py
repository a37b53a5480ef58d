"""Which sightings are the same pitch."""
