"""Learn the readings model, night by night and pooled."""
