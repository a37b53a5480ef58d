"""Facts of single nights about tracker pairs: the input of every comparison."""
