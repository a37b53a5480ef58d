"""Find runs of pitches whose pitcher label is stale or wrong."""
