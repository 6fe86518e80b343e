"""The life of a queued message: made, sent, asked about, sent another way, unsubscribed."""
