"""The look at areas, whom it tells, and its outlooks as others read them."""
