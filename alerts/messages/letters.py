"""A message put into words, and how long a text may be."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from alerts.messages.segments import count

MOST_PARTS = 2
"""A text never costs more than two parts."""

NAME_LENGTHS = (24, 12)
"""Longest names in a text [characters], and where that makes it too long."""


@dataclass(frozen=True, slots=True)
class Letter:
    """A message put into words, for either channel."""

    subject: str
    text: str
    html: str = ""


def fit(versions: Iterable[str]) -> str:
    """The first version of one part, else the first of two, else the last; "" where none is given.

    None is asked for that comes after the one that is found.
    """
    found, found_parts = "", MOST_PARTS + 1
    for version in versions:
        parts = count(version).parts
        if parts <= 1:
            return version
        if found_parts > MOST_PARTS:
            found, found_parts = version, parts
    return found
