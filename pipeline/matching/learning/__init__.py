"""Learn the models of readings and labels: by day, and pooled over days."""
