"""Find each file pair's clock offset, drift and steps."""
