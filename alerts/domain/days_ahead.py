"""The coming days of a field: standing quality as columns, and day by day where one is asked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import nan
from typing import Any, overload


@dataclass(frozen=True, slots=True)
class DayAhead:
    """Standing quality on one day: median and 80 % range [index units]."""

    day: date
    median: float
    low: float
    high: float


@dataclass(slots=True)
class DaysAhead(Sequence[DayAhead]):
    """Consecutive days from ``first`` on; the columns are equally long."""

    first: date
    median: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]

    def __hash__(self) -> int:
        """A chart is kept by what it shows. Like the records of an outlook, nobody changes this."""
        return hash((self.first, *self.median, *self.low, *self.high))

    def __len__(self) -> int:
        return len(self.median)

    @overload
    def __getitem__(self, at: int) -> DayAhead: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[DayAhead, ...]: ...
    def __getitem__(self, at: int | slice) -> DayAhead | tuple[DayAhead, ...]:
        if isinstance(at, slice):
            return tuple(self[place] for place in range(*at.indices(len(self))))
        place = range(len(self))[at]
        day = self.first + timedelta(days=place)
        return DayAhead(day, self.median[place], self.low[place], self.high[place])

    def __iter__(self) -> Iterator[DayAhead]:
        return (self[place] for place in range(len(self)))

    @classmethod
    def of(cls, days: Sequence[DayAhead]) -> DaysAhead:
        """From single days that follow one another."""
        if isinstance(days, cls):
            return days
        columns = ([getattr(day, name) for day in days] for name in _COLUMNS)
        return cls(days[0].day if days else date.min, *columns)

    def to_json(self) -> dict[str, Any]:
        """As it is kept; a day as ISO 8601 writes it."""
        return {
            "first": self.first,
            "median": self.median,
            "low": self.low,
            "high": self.high,
        }

    @classmethod
    def of_json(cls, kept: Any) -> DaysAhead:
        """From what `to_json` gave, or a list of one entry a day, as it was kept before."""
        if isinstance(kept, dict):
            columns = ([_number(value) for value in kept[name]] for name in _COLUMNS)
            return cls(date.fromisoformat(kept["first"]), *columns)
        columns = ([one[name] for one in kept] for name in _COLUMNS)
        return cls(date.fromisoformat(kept[0]["day"]) if kept else date.min, *columns)


_COLUMNS = ("median", "low", "high")


def _number(kept: float | None) -> float:
    """JSON has no word for an end of a range that is beyond the scale."""
    return nan if kept is None else kept
