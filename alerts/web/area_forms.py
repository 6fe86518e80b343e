"""What a visitor of an area's page asked for: which results, and their own numbers for the sum."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TypeVar

from alerts.domain.records import Index, Method
from alerts.services.results.public_results import OwnNumbers, ResultFilter

FIRST, LAST = "from", "to"

Choice = TypeVar("Choice", Method, Index)

_NUMBERS = {"target": (10.0, 400.0), "loss": (0.0, 100.0), "days": (0.0, 60.0)}
"""Values that can be meant, in the unit of the index or in days."""


@dataclass(slots=True)
class Asked:
    """The choices of an address; ``said`` holds everything as it was typed."""

    said: Mapping[str, str]
    filter: ResultFilter = field(default_factory=ResultFilter)
    index: Index | None = None
    own: OwnNumbers = field(default_factory=OwnNumbers)
    errors: dict[str, str] = field(default_factory=dict)


def read_asked(said: Mapping[str, str]) -> Asked:
    """Read the choices; one that cannot be is left out and has a sentence in ``errors``."""
    asked = Asked({name: value.strip() for name, value in said.items()})
    asked.filter = ResultFilter(
        method=_one_of(asked, "method", Method),
        place=asked.said.get("place") or None,
        first=_day(asked, FIRST),
        last=_day(asked, LAST),
    )
    asked.index = _one_of(asked, "index", Index)
    asked.own = OwnNumbers(**{name: _number(asked, name) for name in _NUMBERS})
    return asked


def _one_of(asked: Asked, name: str, kind: type[Choice]) -> Choice | None:
    said = asked.said.get(name, "")
    if not said:
        return None
    try:
        return kind(said)
    except ValueError:
        asked.errors[name] = "Choose one of the list."
        return None


def _day(asked: Asked, name: str) -> date | None:
    said = asked.said.get(name, "")
    if not said:
        return None
    try:
        return date.fromisoformat(said)
    except ValueError:
        asked.errors[name] = "Give a day such as 2027-05-10."
        return None


def _number(asked: Asked, name: str) -> float | None:
    said = asked.said.get(name, "")
    if not said:
        return None
    low, high = _NUMBERS[name]
    try:
        value = float(said)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        asked.errors[name] = f"Give a number from {low:g} to {high:g}."
        return None
    return value
