"""A field clipped by hand on an invented day, and what the fixtures of conftest are called as.

Days are counted from the sampling day.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any, Protocol

from area_rows import FieldPlan

from alerts.domain.guidelines import GuidelineSet
from alerts.domain.outlook import FarmOutlook
from alerts.domain.records import Index, Method
from alerts.domain.snapshot import FarmPlan

SAMPLED = date(2031, 5, 12)
WET = Method.WET_CHEMISTRY

Look = Callable[..., tuple[FarmOutlook, ...]]
Plan = Callable[..., FarmPlan]
Field = Callable[..., FieldPlan]
LookAt = Callable[..., FarmOutlook]


class Dense(Protocol):
    """The model once more as one dense Gaussian, see conftest."""

    guidelines: GuidelineSet

    def at(
        self, results: list[tuple[int, float, float]], field: int, day: float
    ) -> tuple[float, float]: ...

    def reached(
        self, results: list[tuple[int, float, float]], field: int, ndf: float, away: float
    ) -> float: ...


DenseOf = Callable[..., Dense]

NDF = {"index": Index.NDF, "feed_target": 40.0, "handling_loss": 2.0}


def clip(value: float | None, *, after: int = 0, **said: Any) -> tuple[Any, ...]:
    """A row of a wet-chemistry clip of field 0."""
    usual: dict[str, Any] = {"method": WET, "spots": 0, "late": False}
    return (0, SAMPLED + timedelta(days=after), value, *(usual | said).values())


def days_after(day: date | None) -> int:
    assert day is not None
    return (day - SAMPLED).days
