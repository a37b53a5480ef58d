"""Learn what each pair of trackers' readings and labels are like: by day, and pooled over days."""
