"""What the tests of the domain share: the shipped guidelines, and an invented farm."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from alerts.configfiles import read_guidelines
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.outlook import FarmOutlook, look_ahead
from alerts.domain.records import Index, WhichLoad
from alerts.domain.snapshot import AreaSnapshot, FarmPlan, FieldPlan, ResultTable

ROOT = Path(__file__).parents[2]

Look = Callable[..., tuple[FarmOutlook, ...]]


@pytest.fixture(scope="session")
def guidelines() -> GuidelineSet:
    return read_guidelines(ROOT / "config" / "guidelines.toml")


@pytest.fixture(scope="session")
def farm_plan() -> Callable[..., FarmPlan]:
    """A farm that wants RFV 160 stored, loses 25 points and harvests for two days."""

    def plan(**said: Any) -> FarmPlan:
        usual: dict[str, Any] = {
            "id": 1,
            "name": "Alder Bend",
            "index": Index.RFV,
            "feed_target": 160.0,
            "handling_loss": 25.0,
            "harvest_days": 2.0,
            "which_load": WhichLoad.LAST,
            "notice_days": 5,
        }
        return FarmPlan(**(usual | said))

    return plan


@pytest.fixture(scope="session")
def field_plan() -> Callable[..., FieldPlan]:
    """A field of pure alfalfa before its first cutting."""

    def plan(id: int = 1, name: str = "Creek", **said: Any) -> FieldPlan:  # noqa: A002
        usual: dict[str, Any] = {
            "farm": 0,
            "cutting": 1,
            "acres": None,
            "grass_pct": 0.0,
            "watched": True,
        }
        return FieldPlan(id=id, name=name, **(usual | said))

    return plan


@pytest.fixture(scope="session")
def look(guidelines: GuidelineSet) -> Look:
    """Look at an area's farms, fields and rows of (field, day, value, method, spots, late)."""

    def at(
        farms: Sequence[FarmPlan],
        fields: Sequence[FieldPlan],
        rows: Sequence[tuple[Any, ...]],
        today: date,
    ) -> tuple[FarmOutlook, ...]:
        area = AreaSnapshot(
            id=1,
            name="Upper Vale",
            time_zone="America/Chicago",
            farms=tuple(farms),
            fields=tuple(fields),
            results=ResultTable.of(list(rows)),
        )
        return look_ahead(area, guidelines, today)

    return at
