"""What to do with a culture: growth, harvest readiness, split, feeding and keeping."""
