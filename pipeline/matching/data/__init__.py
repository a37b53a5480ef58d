"""The arrays that matching works on: records in device order, streams, and pairs of streams."""
