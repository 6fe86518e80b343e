"""What the tests of the domain share: the shipped guidelines, and an invented farm."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from alerts.configfiles import read_guidelines
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.outlook import FarmOutlook, look_ahead
from alerts.domain.records import Index, WhichLoad
from alerts.domain.snapshot import FarmPlan

sys.path.insert(0, str(Path(__file__).parent))

from area_rows import FieldPlan, ResultRow, one_area

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
    """Look at an area's farms, fields and rows of (field, day, value, method, spots, late, index).

    The result gives no other index; without one, the value is in that of the field's farm.
    """

    def at(
        farms: Sequence[FarmPlan],
        fields: Sequence[FieldPlan],
        rows: Sequence[tuple[Any, ...]],
        today: date,
        **more: Any,
    ) -> tuple[FarmOutlook, ...]:
        said = [_spoken(farms, fields, row) for row in rows]
        area = replace(
            one_area(farms, fields, said, **more), season_first_day=date(today.year, 3, 1)
        )
        return look_ahead(area, guidelines, today)

    return at


def _spoken(
    farms: Sequence[FarmPlan], fields: Sequence[FieldPlan], row: tuple[Any, ...]
) -> ResultRow:
    field, day, value, method, spots, late, *given = row
    index = given[0] if given else farms[fields[field].farm].index
    rfv, rfq, ndf = (value if index is each else None for each in (Index.RFV, Index.RFQ, Index.NDF))
    return (field, day, rfv, rfq, ndf, method, spots, late)


SAMPLED = date(2031, 5, 12)
"""The sampling day from which tests of one field count."""


@pytest.fixture(scope="session")
def look_at(
    look: Look, farm_plan: Callable[..., FarmPlan], field_plan: Callable[..., FieldPlan]
) -> Callable[..., FarmOutlook]:
    """The outlook of one farm with one field, some days after SAMPLED."""

    def at(
        *rows: tuple[Any, ...],
        after: int = 0,
        cutting: int = 1,
        grass_pct: float = 0.0,
        **farm: Any,
    ) -> FarmOutlook:
        field = field_plan(cutting=cutting, grass_pct=grass_pct)
        found = look([farm_plan(**farm)], [field], rows, SAMPLED + timedelta(days=after))
        assert len(found) == 1
        return found[0]

    return at


# --- the model once more, as one dense Gaussian

DENSE_RATE, NEUTRAL = 0.55, 38.0
"""NDF units a day of first-cut alfalfa (guidelines, Smith, E., 2021), and the level looked around,
which hardly matters."""

WET_SD = 1.4


@dataclass(frozen=True)
class Dense:
    """NDF of first-cut alfalfa fields of one area by the covariance of every pair of moments.

    Written from the model's words, not from its equations: value = neutral + rate * days + area
    level and rate + field level and rate + sampling day + straying clock + error.

    ``apart`` and ``pace`` multiply the spreads of the fields and of the area's rate: the model
    lets an odd thing be odder than published (its own judgement), never more alike.
    """

    guidelines: GuidelineSet
    apart: float = 1.0
    pace: float = 1.0

    @property
    def stray(self) -> float:
        """Of the calendar: the spread of a week's heat over the root of seven days."""
        pace, rho = (
            self.guidelines.value(f"clock.pace_{part}") for part in ("sd", "autocorrelation")
        )
        week = sum(rho ** abs(i - j) for i in range(7) for j in range(7))
        return DENSE_RATE * pace * math.sqrt(week / 7)

    def _line(self, one: tuple[int, float], other: tuple[int, float]) -> float:
        """Covariance of two fields' standing quality on two days counted from the newest result."""
        value = self.guidelines.value
        grown = DENSE_RATE**2 * one[1] * other[1]
        both = value("area_level.ndf") ** 2 + grown * (self.pace * value("rate_share.area")) ** 2
        if one[0] == other[0]:
            own = value("field_level.ndf") ** 2 + grown * value("rate_share.field") ** 2
            both += self.apart**2 * own
        strayed = min(abs(one[1]), abs(other[1])) if one[1] * other[1] > 0 else 0.0
        return both + self.stray**2 * strayed

    def at(
        self, results: Sequence[tuple[int, float, float]], field: int, day: float
    ) -> tuple[float, float]:
        """Mean and standard deviation of the standing quality.

        ``results`` are wet chemistry: (field, day, NDF), days counted from any day.
        """
        newest = max(when for _, when, _ in results)
        moments = [(of, when - newest) for of, when, _ in results]
        cov = np.array([[self._line(one, other) for other in moments] for one in moments])
        visit = self.guidelines.value("visit_sd.any.ndf")
        same_day = np.equal.outer([w for _, w in moments], [w for _, w in moments])
        cov += visit**2 * same_day + WET_SD**2 * np.eye(len(moments))
        there = (field, day - newest)
        reach = np.array([self._line(there, moment) for moment in moments])
        usual = [NEUTRAL + DENSE_RATE * moment[1] for moment in moments]
        above = np.array([value for *_, value in results]) - usual
        mean = NEUTRAL + DENSE_RATE * there[1] + reach @ np.linalg.solve(cov, above)
        var = self._line(there, there) - reach @ np.linalg.solve(cov, reach)
        return float(mean), math.sqrt(var)

    def reached(
        self, results: Sequence[tuple[int, float, float]], field: int, ndf: float, away: float
    ) -> float:
        """Day on which the mean plus ``away`` standard deviations reaches an NDF."""

        def short(day: float) -> float:
            mean, sd = self.at(results, field, day)
            return mean + away * sd - ndf

        return float(brentq(short, -60.0, 90.0))


@pytest.fixture(scope="session")
def dense(guidelines: GuidelineSet) -> Callable[..., Dense]:
    def model(**said: float) -> Dense:
        return Dense(guidelines, **said)

    return model
