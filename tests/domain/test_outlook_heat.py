"""The outlook under weather: the heat clock, and degree days without any result.

Days are counted from the sampling day.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from area_rows import FieldPlan

from alerts.domain.area_clock import DailyHeat
from alerts.domain.decision import AlertRules, decide
from alerts.domain.outlook import FarmOutlook
from alerts.domain.records import Index, Method
from alerts.domain.snapshot import FarmPlan

SAMPLED = date(2031, 5, 12)
RULES = AlertRules(moved_days=2, start_lead_days=1, stale_days=5)
WET = Method.WET_CHEMISTRY

Look = Callable[..., tuple[FarmOutlook, ...]]
Plan = Callable[..., FarmPlan]
Field = Callable[..., FieldPlan]


NDF = {"index": Index.NDF, "feed_target": 40.0, "handling_loss": 2.0}


def clip(value: float | None, *, after: int = 0, **said: Any) -> tuple[Any, ...]:
    """A row of a wet-chemistry clip of field 0."""
    usual: dict[str, Any] = {"method": WET, "spots": 0, "late": False}
    return (0, SAMPLED + timedelta(days=after), value, *(usual | said).values())


def days_after(day: date | None) -> int:
    assert day is not None
    return (day - SAMPLED).days


# --- degree days


def heat_of(daily: list[tuple[float, float]], last: date, ahead: int = 0) -> DailyHeat:
    """Daily high and low [F], the last of them ``ahead`` days after the day before ``last``."""
    end = last.toordinal() + ahead
    high, low = np.array(daily, dtype=np.float64).T
    return DailyHeat(np.arange(end - len(daily), end, dtype=np.intp), high, low)


ORDINARY, WARM, COLD = (73.0, 53.0), (84.0, 64.0), (62.0, 42.0)
"""22, 33 and 11 degree days over 41 F: (high + low) / 2 - 41."""

MARCH = (46.0, 36.0)
"""No degree days at all."""


@pytest.fixture(scope="session")
def warm_look(look: Look, farm_plan: Plan, field_plan: Field) -> Callable[..., Any]:
    """The outlook of one NDF farm under some weather; None where there is none."""

    def at(
        rows: list[tuple[Any, ...]],
        heat: DailyHeat | None,
        after: int = 0,
        farm: dict[str, Any] = NDF,
        **field: Any,
    ) -> FarmOutlook | None:
        today = SAMPLED + timedelta(days=after)
        found = look([farm_plan(**farm)], [field_plan(**field)], rows, today, heat=heat)
        return found[0] if found else None

    return at


def spring(days_of_heat: int, after: int = 0) -> DailyHeat:
    """From 1 March to yesterday, cold but for ordinary days at the end."""
    today = SAMPLED + timedelta(days=after)
    cold = (today - date(2031, 3, 1)).days - days_of_heat
    return heat_of([MARCH] * cold + [ORDINARY] * days_of_heat, today)


def test_degree_days_alone_give_a_rough_outlook(warm_look: Callable[..., Any]) -> None:
    # Kaatz, P., 2011, Growing degree days and alfalfa harvest timing: 38 % NDF at 680 degree days,
    # within 3. Ours: 28 ordinary days are 616, 64 before, which is 64 / 22 = 2.91 days at 0.55:
    # NDF 36.4 today, 38 in 2.91 days, less 2 of harvest
    found = warm_look([], spring(28))
    assert found.rough
    assert found.follows_heat
    field = found.tightest
    assert (field.results, field.last_on, field.last_value, field.stands_in) == (0, None, None, "")
    assert field.days[0].median == pytest.approx(36.4, abs=0.01)
    assert field.days[0].high - field.days[0].low >= 2 * 1.2816 * 3
    assert days_after(found.start.median) == 0


@pytest.mark.parametrize(("index", "target"), [(Index.RFV, 160.0), (Index.RFQ, 160.0)])
def test_degree_days_alone_serve_every_index(
    warm_look: Callable[..., Any], index: Index, target: float
) -> None:
    # 682 degree days: NDF 38.05, with an ADF of 0.745 * 38.05 - 0.29 = 28.06 (Weld, K., 2021,
    # Calculating alfalfa stand quality); RFV (Stallings, C.C., 2004) is then
    # (88.9 - 0.779 * 28.06) * (120 / 38.05) / 1.29 = 163.9; RFQ is about the same on average
    found = warm_look([], spring(31), farm={"index": index, "feed_target": target})
    assert found.rough
    assert found.tightest.days[0].median == pytest.approx(163.9, abs=0.2)


@pytest.mark.parametrize("days_of_heat", [20, 27, 34])
def test_rough_outlook_is_never_told(warm_look: Callable[..., Any], days_of_heat: int) -> None:
    found = warm_look([], spring(days_of_heat))
    assert found.rough
    assert decide(found, None, SAMPLED, RULES) is None


@pytest.mark.parametrize("heat", [None, heat_of([ORDINARY] * 30, SAMPLED)])
def test_without_results_and_weather_from_1_march_there_is_no_outlook(
    warm_look: Callable[..., Any], heat: DailyHeat | None
) -> None:
    assert warm_look([], heat) is None


def test_heat_says_nothing_of_regrowth(warm_look: Callable[..., Any]) -> None:
    assert warm_look([], spring(31), cutting=2) is None
    sampled = warm_look([clip(33.0)], spring(31), cutting=2)
    assert sampled == warm_look([clip(33.0)], None, cutting=2)
    assert not sampled.follows_heat


def test_heat_says_nothing_before_coming_days_are_ordinary_ones(
    warm_look: Callable[..., Any],
) -> None:
    # 15 ordinary days are 330 degree days, 16 are 352: half way to 680
    assert warm_look([], spring(15)) is None
    assert warm_look([], spring(16)).rough


@pytest.mark.parametrize("farm", [NDF, {"index": Index.RFV}, {"index": Index.RFQ}], ids=str)
def test_heat_beyond_the_published_figures_stays_at_their_end(
    warm_look: Callable[..., Any], farm: dict[str, Any]
) -> None:
    # Thomas, C., about 2010, Use growing degree days to time first cutting: 45 % at 970
    found = warm_look([], heat_of([WARM] * 170, SAMPLED + timedelta(days=100)), 100, farm)
    assert found.rough
    assert found.tightest.meets_today < 0.5
    if farm is NDF:
        assert found.tightest.days[0].median == pytest.approx(45.0, abs=0.5)


def test_result_takes_the_place_of_heat_alone(warm_look: Callable[..., Any]) -> None:
    found = warm_look([clip(33.0)], spring(31))
    assert not found.rough
    assert found.tightest.days[0].median == pytest.approx(33.0, abs=0.2)


def test_warm_days_bring_the_date_forward_and_cold_ones_put_it_off(
    warm_look: Callable[..., Any],
) -> None:
    # our arithmetic: NDF 31 is 38 after 12.7 ordinary days. Six days of 33 degree days are nine
    # ordinary ones, six of 11 are three: three days sooner and three later
    medians = {
        name: days_after(
            warm_look(
                [clip(31.0)], heat_of([ORDINARY] * 60 + [day] * 6, SAMPLED, 6), 6
            ).start.median
        )
        for name, day in (("ordinary", ORDINARY), ("warm", WARM), ("cold", COLD))
    }
    assert medians["ordinary"] == 10
    assert medians["warm"] == 7
    assert medians["cold"] == 13


def test_forecast_counts_as_weather_does(warm_look: Callable[..., Any]) -> None:
    # our arithmetic: as above, but six days still to come
    medians = [
        days_after(
            warm_look([clip(31.0)], heat_of([ORDINARY] * 60 + [day] * 6, SAMPLED, 6)).start.median
        )
        for day in (WARM, ORDINARY, COLD)
    ]
    assert medians == [7, 10, 13]


def test_forecast_narrows_the_range(warm_look: Callable[..., Any]) -> None:
    spans = []
    for ahead in (0, 7):
        start = warm_look([clip(34.0)], heat_of([ORDINARY] * 60, SAMPLED, ahead)).start
        spans.append(days_after(start.p90) - days_after(start.p10))
    assert spans[1] <= spans[0]


def test_unknown_day_is_an_ordinary_one(warm_look: Callable[..., Any]) -> None:
    gap = (float("nan"), float("nan"))
    known, unknown = (
        warm_look([clip(31.0)], heat_of([WARM] * 60 + [day] * 4, SAMPLED, 4), 4)
        for day in (ORDINARY, gap)
    )
    assert known.start == unknown.start


def test_loss_of_weather_leaves_the_calendar(warm_look: Callable[..., Any]) -> None:
    nothing = np.array([], dtype=np.float64)
    lost = warm_look([clip(31.0)], DailyHeat(nothing.astype(np.intp), nothing, nothing))
    assert lost == warm_look([clip(31.0)], None)
    assert not lost.follows_heat
    assert days_after(lost.start.median) == 10


def test_heat_known_up_to_the_sample_alone_moves_no_date(warm_look: Callable[..., Any]) -> None:
    # whatever the heat was before the sample, the sample has seen it
    for day in (COLD, ORDINARY, WARM):
        found = warm_look([clip(31.0)], heat_of([day] * 60, SAMPLED))
        assert days_after(found.start.median) == 10
