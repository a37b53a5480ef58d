"""Per-night facts about tracker pairs, the input of every comparison."""
