"""Source profiles and readers: an export of any stated kind into the common schema."""
