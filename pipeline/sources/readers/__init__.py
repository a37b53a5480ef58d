"""One reader per file format; cells stay text."""
