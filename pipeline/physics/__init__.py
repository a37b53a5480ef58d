"""Flight of a pitch, frames and units."""
