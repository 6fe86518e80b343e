"""Texts in: who wrote, what it does, what is answered."""
