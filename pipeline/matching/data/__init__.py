"""The arrays that matching works on, in device order."""
