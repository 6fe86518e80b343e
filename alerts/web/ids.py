"""Numbers of rows as addresses and forms give them."""

from __future__ import annotations

from alerts.services.access.scope import NotYours

LARGEST_ID = 2**31 - 1
"""Ids are 32-bit numbers in PostgreSQL, which refuses to compare them with a larger one."""


def id_of(text: str, what: str) -> int:
    """The number, 1 to LARGEST_ID; NotYours, answered 404, where no row can bear it.

    ``what`` a row stands for: 'field'.
    """
    if text.isascii() and text.isdigit() and len(text) <= len(str(LARGEST_ID)):
        number = int(text)
        if 1 <= number <= LARGEST_ID:
            return number
    raise NotYours(f"there is no such {what} here")
