"""Who asks, and what is theirs to see or to speak of."""
