"""Keeping the service running, and what its operator does."""
