"""How far apart trackers are, since when, and whose fault it is."""
