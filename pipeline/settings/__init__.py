"""ledger.toml, source profiles, roster and decisions as typed settings."""
