"""Pages and prints, each from published tables only."""
