"""Whether two trackers read a metric by different conventions: sign, viewer, zero, unit or gravity."""
