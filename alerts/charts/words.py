"""The words a chart needs, in whichever language; ``messages.wording`` has them."""

from __future__ import annotations

from datetime import date
from typing import Protocol

from alerts.domain.records import Index


class ChartWords(Protocol):
    """How dates, numbers and the phrases of a chart ('chart. ...') read in one language."""

    def say(self, entry: str, **values: object) -> str:
        """The phrase of this name with its values filled in."""
        ...

    def short_day(self, day: date, /) -> str:
        """'May 14'."""
        ...

    def full_day(self, day: date, /) -> str:
        """'Thu May 14'."""
        ...

    def day_range(self, low: date | None, high: date | None, today: date, /) -> str:
        """'May 12-18', 'now to May 18', 'Jul 2 or later'."""
        ...

    def number(self, value: float, /) -> str:
        """'185', '38.5'."""
        ...

    def reading(self, index: Index, value: float, /) -> str:
        """'RFV 205'."""
        ...
