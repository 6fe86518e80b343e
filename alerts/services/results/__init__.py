"""Results in, and what became of them."""
