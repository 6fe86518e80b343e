"""Outlooks of invented farms, built by hand so that words are tested apart from the projection."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from pathlib import Path

import pytest

# pytest's importlib mode puts nothing on the path; the situations are a module of their own.
sys.path.insert(0, str(Path(__file__).parent))

from situations import MARK, TODAY

from alerts.domain.days_ahead import DayAhead
from alerts.domain.outlook import FarmOutlook, FieldOutlook, StartDates
from alerts.domain.records import HarvestMethod, Index, WhichLoad
from alerts.domain.snapshot import FarmPlan
from alerts.messages.start_messages import Setting

WAITING = (0.004, 0.07, 0.14, 0.24, 0.36, 0.48, 0.59, 0.69, 0.78, 0.995)
LOAD = tuple(193.6 - 4.0 * k for k in range(len(WAITING)))
"""Standing quality of the last load of two days, so many days later [RFV]."""

# Feed target, handling loss, last value, standing today, change a day; as alfalfa in mid May.
NUMBERS = {
    Index.RFV: (160.0, 25.0, 205.0, 201.4, 4.0),
    Index.RFQ: (165.0, 15.0, 198.0, 195.2, 4.1),
    Index.NDF: (44.0, 2.5, 36.4, 37.15, 0.6),
}


def dates(p10: date | None, median: date | None, p90: date | None) -> StartDates:
    return StartDates(p10, median, p90, chance_within_notice=0.6, waiting=WAITING, load=LOAD)


def in_days(*counts: int) -> StartDates:
    return dates(*(TODAY + timedelta(days=count) for count in counts))


@pytest.fixture
def today() -> date:
    return TODAY


@pytest.fixture
def start_dates() -> Callable[..., StartDates]:
    """Start dates so many days from today: early end, median, late end."""
    return in_days


@pytest.fixture
def outlook_of() -> Callable[..., FarmOutlook]:
    """Build a farm's outlook; the fields come in harvest order."""

    def build(
        *,
        farm: str = "Windfall Acres",
        fields: Sequence[str] = ("Long Strip",),
        index: Index = Index.RFV,
        start: StartDates | None = None,
        harvest_days: float = 2.0,
        which_load: WhichLoad = WhichLoad.LAST,
        stands_in: str = "",
        is_area: bool = False,
        area_fields: int = 0,
        standing: float | None = None,
    ) -> FarmOutlook:
        feed, loss, last, now, change = NUMBERS[index]
        target = feed + loss if index.falls else feed - loss
        start = in_days(1, 4, 9) if start is None else start
        level = now if standing is None else standing
        bare = is_area and not area_fields
        spread = 8.2 if index.falls else 2.1
        step = -change if index.falls else change
        plan = FarmPlan(1, farm, index, feed, loss, harvest_days, which_load, 5)
        whole = tuple(
            FieldOutlook(
                field_id=number,
                name=name,
                cutting=1,
                index=index,
                standing_target=target,
                results=0 if stands_in else 3,
                last_on=None if bare else TODAY - timedelta(days=1),
                last_value=None if bare else last,
                stands_in=stands_in,
                change_per_day=change,
                own_days=harvest_days / len(fields),
                start=start,
                days=tuple(
                    DayAhead(
                        TODAY + timedelta(days=k),
                        level + k * step,
                        level + k * step - spread,
                        level + k * step + spread,
                    )
                    for k in range(10)
                ),
                meets_today=0.9,
                is_area=is_area,
                area_fields=area_fields,
            )
            for number, name in enumerate(fields, start=1)
        )
        return FarmOutlook(plan, 1, start, whole)

    return build


@pytest.fixture
def setting_of() -> Callable[..., Setting]:
    def build(
        *,
        method: HarvestMethod = HarvestMethod.HAYLAGE,
        first_text: bool = False,
        unsubscribe_url: str = "",
        language: str = "en",
    ) -> Setting:
        return Setting(
            language=language,
            harvest_method=method,
            mark=MARK,
            today=TODAY,
            first_text=first_text,
            unsubscribe_url=unsubscribe_url,
            gain_lb_per_acre_day=100.0,
        )

    return build
