"""Apply a source profile: rows of text become sightings."""
