"""Since when a tracker reads differently: control charts of pairs, and of trackers against their own pitchers' history."""
