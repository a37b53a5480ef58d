"""The arrays that matching works on: records, streams, and stream pairs."""
