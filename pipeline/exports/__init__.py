"""Find exports, archive them, read them, and drop what cannot be a pitch."""
