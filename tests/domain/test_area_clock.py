"""The clock of an area: degree days where its weather is known, the calendar elsewhere.

A day of 73/53 F has 22 degree days over 41 F, an ordinary one (guidelines); 84/64 has 33, 62/42 has
11: (high + low) / 2 - 41, Kaatz, P., about 2011, Growing degree days and alfalfa harvest timing.
"""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.domain.area_clock import AreaClock, AreaClocks, DailyHeat, calendar_clock, heat_clock
from alerts.domain.guidelines import GuidelineSet

TODAY = date(2031, 5, 12).toordinal()
SEASON = date(2031, 3, 1).toordinal()
FIRST, LAST = TODAY - 45, TODAY + 75
ORDINARY, WARM, COLD = (73.0, 53.0), (84.0, 64.0), (62.0, 42.0)
GAP = (math.nan, math.nan)


def heat_of(*days: tuple[float, float], begin: int) -> DailyHeat:
    high, low = np.array(days, dtype=np.float64).T
    return DailyHeat(np.arange(begin, begin + len(days), dtype=np.intp), high, low)


def clock_of(guidelines: GuidelineSet, heat: DailyHeat | None) -> AreaClock:
    return heat_clock(heat, guidelines, season=SEASON, today=TODAY, first=FIRST, last=LAST)


def moved(clock: AreaClock, begin: int, end: int) -> float:
    """Ordinary days between two mornings, counted from today."""
    at = clock.at([TODAY + begin, TODAY + end])
    return float(at[1] - at[0])


def test_calendar_moves_a_day_a_day() -> None:
    clock = calendar_clock(FIRST, LAST)
    assert clock.at([FIRST - 9, TODAY, TODAY + 0.5, LAST + 9]) - TODAY == pytest.approx(
        [-54.0, 0.0, 0.5, 84.0]
    )
    assert not clock.follows_heat
    assert math.isnan(clock.degree_days)


@pytest.mark.parametrize(
    "heat",
    [
        None,
        DailyHeat(np.array([], dtype=np.intp), np.array([]), np.array([])),
        heat_of(WARM, WARM, begin=TODAY),
    ],
    ids=["none", "empty", "forecast alone"],
)
def test_without_known_weather_the_clock_is_the_calendar(
    guidelines: GuidelineSet, heat: DailyHeat | None
) -> None:
    clock = clock_of(guidelines, heat)
    assert not clock.follows_heat
    assert moved(clock, -30, 30) == 60.0


@pytest.mark.parametrize(("day", "days"), [(ORDINARY, 10.0), (WARM, 15.0), (COLD, 5.0)])
def test_days_gone_by_move_the_clock_by_their_heat(
    guidelines: GuidelineSet, day: tuple[float, float], days: float
) -> None:
    clock = clock_of(guidelines, heat_of(*[day] * 20, begin=TODAY - 20))
    assert clock.follows_heat
    assert moved(clock, -10, 0) == pytest.approx(days)
    # after the weather is known no longer, and before it was, ordinary days
    assert moved(clock, 0, 10) == pytest.approx(10.0)
    assert moved(clock, -40, -20) == pytest.approx(20.0)


def test_unknown_day_is_an_ordinary_one(guidelines: GuidelineSet) -> None:
    clock = clock_of(guidelines, heat_of(WARM, GAP, WARM, begin=TODAY - 3))
    assert moved(clock, -3, 0) == pytest.approx(1.5 + 1.0 + 1.5)


def test_missing_dates_are_ordinary_days(guidelines: GuidelineSet) -> None:
    warm = heat_of(WARM, WARM, WARM, begin=TODAY - 3)
    apart = DailyHeat(warm.day[[0, 2]], warm.tmax_f[[0, 2]], warm.tmin_f[[0, 2]])
    assert moved(clock_of(guidelines, apart), -3, 0) == pytest.approx(1.5 + 1.0 + 1.5)


def test_forecast_moves_the_coming_clock_and_narrows_it(guidelines: GuidelineSet) -> None:
    known = [ORDINARY] * 10
    blind = clock_of(guidelines, heat_of(*known, begin=TODAY - 10))
    seeing = clock_of(guidelines, heat_of(*known, *[WARM] * 4, begin=TODAY - 10))
    assert moved(seeing, 0, 4) == pytest.approx(6.0)
    assert moved(seeing, 4, 8) == pytest.approx(4.0)
    today, soon = (float(seeing.at(TODAY + ahead)) for ahead in (0, 4))
    assert seeing.sd_since(TODAY, today, 0.0) == 0.0
    assert 0 < seeing.sd_since(TODAY + 4, today, 0.0) < blind.sd_since(TODAY + 4, today, 0.0)
    assert soon - today == pytest.approx(6.0)


def test_straying_grows_with_the_root_of_the_days_and_adds_to_the_forecast() -> None:
    clock = calendar_clock(FIRST, LAST)
    days = np.array([TODAY - 5, TODAY, TODAY + 1, TODAY + 4, TODAY + 9])
    assert clock.sd_since(days, float(TODAY), 0.5) == pytest.approx([0.0, 0.0, 0.5, 1.0, 1.5])
    loose = AreaClock(clock.day, clock.clock, np.full_like(clock.day, 1.2), math.nan, True)
    assert loose.sd_since(TODAY + 1, float(TODAY), 0.5) == pytest.approx(1.3)  # 5, 12, 13


@pytest.fixture
def three_clocks(guidelines: GuidelineSet) -> list[AreaClock]:
    """The calendar, a warm spring, and one that stood still for some days before today."""
    frost = (38.0, 28.0)
    warm = heat_of(*[WARM] * 10, *[COLD] * 5, begin=TODAY - 10)
    stood = heat_of(*[ORDINARY] * 10, *[frost] * 4, begin=TODAY - 14)
    return [calendar_clock(FIRST, LAST), clock_of(guidelines, warm), clock_of(guidelines, stood)]


def test_clocks_of_many_areas_show_what_each_shows(three_clocks: list[AreaClock]) -> None:
    clocks = AreaClocks.of(three_clocks)
    day = np.random.default_rng(3).uniform(FIRST - 9.0, LAST + 9.0, (4, 5))
    day[0] = [FIRST, LAST, TODAY, TODAY + 0.5, TODAY - 3]
    unit = np.array([0, 1, 2, 1])[:, None]
    origin, stray = np.array([TODAY - 3.0, TODAY + 1.0, TODAY + 0.0]), np.array([0.5, 0.2, 0.3])
    since, sd = clocks.ahead(unit, day, origin.take(unit), stray.take(unit))
    for row, one in enumerate(unit[:, 0]):
        alone = three_clocks[one]
        assert clocks.at(unit, day)[row] == pytest.approx(alone.at(day[row]), abs=1e-9)
        assert since[row] == pytest.approx(alone.at(day[row]) - origin[one], abs=1e-9)
        expected = alone.sd_since(day[row], float(origin[one]), float(stray[one]))
        assert sd[row] == pytest.approx(expected, abs=1e-9)
        assert clocks.sd_since(one, day[row], origin[one], stray[one]) == pytest.approx(expected)
        assert clocks.follows_heat[one] == alone.follows_heat


def test_day_at_is_the_inverse_of_the_clock(three_clocks: list[AreaClock]) -> None:
    clocks = AreaClocks.of(three_clocks)
    unit = np.array([[0], [1], [2]])
    shown = clocks.at(unit, np.random.default_rng(4).uniform(FIRST - 9.0, LAST + 9.0, (3, 50)))
    day = clocks.day_at(unit, shown)
    assert clocks.at(unit, day) == pytest.approx(shown, abs=1e-9)
    # of the mornings on which a clock stands still, any will do
    moving = unit[:, 0] != 2
    again = clocks.day_at(unit, clocks.at(unit, day))
    assert again[moving] == pytest.approx(day[moving], abs=1e-6)


def test_clocks_over_other_mornings_are_refused() -> None:
    with pytest.raises(ValueError, match="same days"):
        AreaClocks.of([calendar_clock(FIRST, LAST), calendar_clock(FIRST, LAST + 1)])


def test_degree_days_are_those_from_the_first_day_of_the_season(guidelines: GuidelineSet) -> None:
    # days before 1 March do not count, nor does today's heat, which is still to come
    begin = SEASON - 20
    days = [WARM] * 20 + [ORDINARY] * (TODAY - SEASON) + [WARM]
    clock = clock_of(guidelines, heat_of(*days, begin=begin))
    assert clock.degree_days == pytest.approx(22.0 * (TODAY - SEASON))


@pytest.mark.parametrize(("gaps", "known"), [(0, True), (5, True), (6, False)])
def test_degree_days_bear_a_few_unknown_days(
    guidelines: GuidelineSet, gaps: int, known: bool
) -> None:
    days = [GAP] * gaps + [ORDINARY] * (TODAY - SEASON - gaps)
    inside = clock_of(guidelines, heat_of(*days, begin=SEASON))
    late = clock_of(guidelines, heat_of(*days[gaps:], begin=SEASON + gaps))
    for clock in (inside, late):
        assert math.isfinite(clock.degree_days) is known
        assert clock.follows_heat


def test_weather_that_ended_long_ago_gives_no_sum(guidelines: GuidelineSet) -> None:
    clock = clock_of(guidelines, heat_of(*[ORDINARY] * 30, begin=SEASON))
    assert math.isnan(clock.degree_days)


temperatures = st.lists(
    st.tuples(st.floats(-20.0, 110.0), st.floats(-20.0, 110.0)), min_size=1, max_size=90
)


@given(temperatures, st.integers(1, 80))
def test_clock_never_runs_back(
    guidelines: GuidelineSet, days: list[tuple[float, float]], begin: int
) -> None:
    clock = clock_of(guidelines, heat_of(*days, begin=TODAY - begin))
    assert clock.day.tolist() == list(range(FIRST, LAST + 1))
    assert (np.diff(clock.clock) >= 0).all()
    assert (np.diff(clock.sd) >= 0).all()
