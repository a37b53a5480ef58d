"""Find runs of pitches that carry another pitcher's label."""
