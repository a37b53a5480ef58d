"""The contracts: what every table and every metric is, in one place."""
