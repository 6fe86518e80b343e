"""People: enrolled, signing up, changing an address, forgotten."""
