"""A farm and its fields: described, shown, changed, cut."""
