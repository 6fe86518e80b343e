"""An invented field and the shipped words."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

# pytest's importlib mode puts nothing on the path
sys.path.insert(0, str(Path(__file__).parent))

from chart_samples import TODAY, course, on, result

from alerts.charts.outlook_chart import OutlookChart
from alerts.domain.records import Index, Method
from alerts.messages.templates import Templates
from alerts.messages.wording import Wording


@pytest.fixture
def words(templates: Templates) -> Wording:
    return templates.wording("en")


@pytest.fixture
def spanish(templates: Templates) -> Wording:
    return templates.wording("es")


@pytest.fixture
def chart() -> OutlookChart:
    """Three results of two kinds, and a course that is due in five days."""
    return OutlookChart(
        title="Plum Bottom, North",
        index=Index.RFV,
        today=TODAY,
        standing_target=185.0,
        results=(result(-7, 229), result(-3, 219, Method.STEM), result(0, 206)),
        days=course(205, -4, 9),
        start_p10=on(2),
        start_median=on(4),
        start_p90=on(6),
    )
