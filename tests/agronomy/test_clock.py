"""The degree-day clock against worked days, the calendar, and sums done another way."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.agronomy.clock import ORDINARY_DAY_F_DAYS, future_clock, ordinary_days

DAYS = np.arange(100, 104)
NAN = np.nan


def spans(high: list[float], low: list[float], per_day_f: float = 22.0) -> list[float]:
    """Ordinary days between the mornings of a row of days."""
    days = np.arange(len(high))
    return np.diff(ordinary_days(days, np.array(high), np.array(low), per_day_f)).tolist()


def test_published_days_move_the_clock_by_their_degree_days() -> None:
    # 60/40 F gives 9 (Kaatz, P., about 2011, Growing degree days and alfalfa harvest timing);
    # 85/58 gives 30.5 and 50/32 none by the same rule (tests/data/quality/gdd_worked_examples.csv)
    moved = spans([60.0, 85.0, 50.0, 70.0], [40.0, 58.0, 32.0, 50.0])
    assert moved == pytest.approx([9.0 / 22.0, 30.5 / 22.0, 0.0])


def test_ordinary_day_lies_between_the_published_rates() -> None:
    # Smith, E., 2021, 1st cutting forage quality update: height guide: 0.5 NDF a day (0.4-0.7) in
    # pure alfalfa, 0.55 taken; 38 to 40 % between 680 and 750 degree days (a Great Lakes state
    # university, 2013), 40 to 45 in the 220 after (Thomas, C., about 2010)
    low, high = 0.55 / ((40 - 38) / (750 - 680)), 0.55 / ((45 - 40) / 220)
    assert (low, high) == (pytest.approx(19.25), pytest.approx(24.2))
    assert low < ORDINARY_DAY_F_DAYS < high
    assert pytest.approx((low + high) / 2, abs=0.5) == ORDINARY_DAY_F_DAYS


def test_clock_starts_at_the_number_of_the_first_day() -> None:
    clock = ordinary_days(DAYS, np.full(4, 73.0), np.full(4, 53.0))
    assert clock.tolist() == [100.0, 101.0, 102.0, 103.0]


def test_heat_of_the_last_day_does_not_count_yet() -> None:
    cool = ordinary_days(DAYS, np.array([73.0, 73.0, 73.0, 20.0]), np.array([53.0, 53.0, 53.0, 10]))
    assert cool[-1] == 103.0


@pytest.mark.parametrize(
    ("high", "low"),
    [(NAN, 40.0), (60.0, NAN), (NAN, NAN), (400.0, 40.0), (40.0, 60.0)],
)
def test_day_of_which_nothing_usable_is_known_is_ordinary(high: float, low: float) -> None:
    assert spans([60.0, high, 60.0], [40.0, low, 40.0]) == pytest.approx([9 / 22, 1.0])


def test_places_run_side_by_side() -> None:
    high = np.array([[60.0, 85.0, NAN, NAN], [NAN, NAN, 60.0, NAN]])
    low = np.array([[40.0, 58.0, NAN, NAN], [NAN, NAN, 40.0, NAN]])
    clock = ordinary_days(DAYS, high, low, 20.0)
    np.testing.assert_allclose(
        clock, [[100.0, 100.45, 101.975, 102.975], [100.0, 101.0, 102.0, 102.45]]
    )


def test_one_day_has_its_number() -> None:
    assert ordinary_days(np.array([7]), np.array([60.0]), np.array([40.0])).tolist() == [7.0]


@pytest.mark.parametrize("per_day", [0.0, -22.0, 60.1, NAN, np.inf])
def test_impossible_ordinary_day_gives_no_clock(per_day: float) -> None:
    temperatures = np.array([60.0, NAN, 60.0, 60.0])
    assert np.isnan(ordinary_days(DAYS, temperatures, temperatures - 9.0, per_day)).all()


@pytest.mark.parametrize(
    "days", [np.array([1, 2, 4, 5]), np.array([4, 3, 2, 1]), np.array([[1, 2, 3, 4]])]
)
def test_days_that_do_not_follow_each_other_raise(days: np.ndarray) -> None:
    with pytest.raises(ValueError, match="one row of days"):
        ordinary_days(days, np.full(4, 60.0), np.full(4, 40.0))


@pytest.mark.parametrize("temperatures", [np.full(3, 60.0), np.full((4, 1), 60.0), np.array(60.0)])
def test_temperatures_of_other_days_raise(temperatures: np.ndarray) -> None:
    with pytest.raises(ValueError, match="do not belong to 4 days"):
        ordinary_days(DAYS, temperatures, temperatures)


def test_no_days_raise() -> None:
    with pytest.raises(ValueError, match="one row of days"):
        ordinary_days(np.array([], dtype=np.intp), np.array([]), np.array([]))


degrees = st.one_of(st.floats(min_value=-100.0, max_value=160.0), st.just(NAN))


@given(
    st.lists(st.tuples(degrees, degrees), min_size=1, max_size=60),
    st.integers(min_value=-1000, max_value=800_000),
    st.floats(min_value=1.0, max_value=60.0),
)
def test_clock_never_falls(temperatures: list[tuple[float, float]], first: int, per: float) -> None:
    high, low = np.array(temperatures).T
    clock = ordinary_days(first + np.arange(len(high)), high, low, per)
    assert clock[0] == first
    assert (np.diff(clock) >= 0.0).all()


@given(
    st.integers(min_value=1, max_value=200),
    st.integers(min_value=0, max_value=800_000),
    st.floats(min_value=5.0, max_value=60.0),
    st.floats(min_value=0.0, max_value=15.0),
    st.lists(st.integers(min_value=0, max_value=199)),
)
def test_ordinary_weather_known_or_not_is_the_calendar(
    count: int, first: int, per_day: float, half_range: float, unknown: list[int]
) -> None:
    days = first + np.arange(count)
    mean = np.full(count, 41.0 + per_day)
    mean[[place for place in unknown if place < count]] = NAN
    clock = ordinary_days(days, mean + half_range, mean - half_range, per_day)
    np.testing.assert_allclose(clock, days, rtol=0.0, atol=1e-6)


@given(st.lists(st.floats(min_value=42.0, max_value=90.0), min_size=2, max_size=30))
def test_warmer_weather_never_sets_the_clock_back(means: list[float]) -> None:
    days, mean = np.arange(len(means)), np.array(means)
    cooler = ordinary_days(days, mean + 8.0, mean - 8.0)
    warmer = ordinary_days(days, mean + 10.0, mean - 6.0)
    assert (warmer >= cooler).all()


# --- days ahead


def test_forecast_counts_first_then_normals() -> None:
    # arithmetic: 33, 11, then 22 and 44 over 22 a day
    normal = np.array([22.0, 22.0, 22.0, 44.0])
    mean, _ = future_clock(140.0, np.array([33.0, 11.0]), normal, 4)
    assert mean.tolist() == [141.5, 142.0, 143.0, 145.0]


def test_gap_in_the_forecast_is_filled_with_the_normal() -> None:
    mean, sd = future_clock(0.0, np.array([33.0, NAN, 11.0]), 22.0, 3, rho=0.0)
    assert mean.tolist() == [1.5, 2.5, 3.0]
    # forecast 2.5, climate 7.5, forecast 2.5 + 2 x 0.6, independent days
    assert (np.diff(np.square(sd * 22.0))).tolist() == pytest.approx([7.5**2, 3.7**2])


def test_unknown_normals_make_ordinary_days() -> None:
    mean, _ = future_clock(10.0, np.array([]), NAN, 3)
    assert mean.tolist() == [11.0, 12.0, 13.0]


def test_longer_forecast_is_cut() -> None:
    mean, sd = future_clock(0.0, np.full(9, 22.0), 22.0, 2)
    assert mean.tolist() == [1.0, 2.0]
    assert sd.shape == (2,)


def test_independent_days_of_climate_add_their_variances() -> None:
    # textbook: 14 independent days of SD 7.5 F have 7.5 sqrt(14) = 28.06 F-days, 1.28 days of 22
    _, sd = future_clock(0.0, np.array([]), 22.0, 14, rho=0.0)
    assert sd[-1] == pytest.approx(1.2756, abs=5e-5)


def test_days_that_move_as_one_add_their_deviations() -> None:
    _, sd = future_clock(0.0, np.array([]), 22.0, 14, rho=1.0)
    np.testing.assert_allclose(sd, 7.5 * np.arange(1, 15) / 22.0)


def test_spells_follow_the_closed_form_of_a_first_order_series() -> None:
    # var(sum of n) = s2 (n + 2 sum (n - k) rho^k), k = 1 to n - 1 (textbook, from memory)
    _, sd = future_clock(0.0, np.array([]), 22.0, 14, rho=0.65)
    closed = 14 + 2 * sum((14 - k) * 0.65**k for k in range(1, 14))
    assert sd[-1] == pytest.approx(7.5 * closed**0.5 / 22.0)
    assert sd[-1] == pytest.approx(2.538, abs=5e-4)


def test_spread_agrees_with_simulated_spells() -> None:
    # 40 000 first-order series drawn with a fixed seed; 5 days of forecast, 7 of climate
    rng = np.random.default_rng(20260514)
    days, rho = 12, 0.6
    forecast = np.full(5, 20.0)
    spread = np.where(np.arange(days) < 5, np.minimum(2.0 + 0.9 * np.arange(days), 7.0), 7.0)
    unit = np.empty((40_000, days))
    unit[:, 0] = rng.standard_normal(40_000)
    for day in range(1, days):
        fresh = rng.standard_normal(40_000)
        unit[:, day] = rho * unit[:, day - 1] + np.sqrt(1 - rho**2) * fresh
    simulated = np.cumsum(unit * spread, axis=1).std(axis=0) / 22.0
    _, sd = future_clock(
        0.0,
        forecast,
        22.0,
        days,
        forecast_sd_f=2.0,
        forecast_sd_rise_f=0.9,
        climate_sd_f=7.0,
        rho=rho,
    )
    np.testing.assert_allclose(sd, simulated, rtol=0.02)


def test_forecast_is_never_worse_than_the_climate() -> None:
    known = future_clock(0.0, np.full(30, 22.0), 22.0, 30)[1]
    unknown = future_clock(0.0, np.array([]), 22.0, 30)[1]
    assert (known <= unknown).all()
    # 2.5 + 0.6 x 9 is over 7.5: from the tenth day on both know as little
    assert known[0] == pytest.approx(2.5 / 22.0)


def test_areas_run_side_by_side() -> None:
    forecast = np.array([[33.0, NAN], [NAN, NAN]])
    normal = np.array([[22.0, 22.0, 22.0], [11.0, 11.0, 11.0]])
    mean, sd = future_clock(np.array([100.0, 50.0]), forecast, normal, 3)
    np.testing.assert_allclose(mean, [[101.5, 102.5, 103.5], [50.5, 51.0, 51.5]])
    for row in range(2):
        _, alone = future_clock(0.0, forecast[row], normal[row], 3)
        np.testing.assert_allclose(sd[row], alone)


def test_one_forecast_serves_several_areas() -> None:
    mean, sd = future_clock(np.array([0.0, 10.0]), np.array([22.0]), 22.0, 2)
    np.testing.assert_allclose(mean, [[1.0, 2.0], [11.0, 12.0]])
    np.testing.assert_array_equal(sd[0], sd[1])


def test_unknown_starting_clock_stays_unknown() -> None:
    mean, sd = future_clock(NAN, np.array([22.0]), 22.0, 2)
    assert np.isnan(mean).all()
    assert np.isnan(sd).all()


@pytest.mark.parametrize(
    "wrong",
    [
        {"per_day_f": 0.0},
        {"forecast_sd_f": -1.0},
        {"forecast_sd_rise_f": NAN},
        {"climate_sd_f": 31.0},
        {"rho": 1.1},
        {"rho": -0.1},
    ],
)
def test_impossible_parameter_gives_no_spread(wrong: dict[str, float]) -> None:
    _, sd = future_clock(0.0, np.array([22.0, 22.0]), 22.0, 4, **wrong)
    assert np.isnan(sd[-1])


@pytest.mark.parametrize("horizon", [0, -3])
def test_no_horizon_raises(horizon: int) -> None:
    with pytest.raises(ValueError, match="must be 1 or more"):
        future_clock(0.0, np.array([22.0]), 22.0, horizon)


def test_normals_of_another_length_raise() -> None:
    with pytest.raises(ValueError, match="5 normals given for a horizon of 4 days"):
        future_clock(0.0, np.array([22.0]), np.full(5, 22.0), 4)


@given(
    st.lists(st.one_of(st.floats(0.0, 60.0), st.just(NAN)), max_size=20),
    st.floats(0.0, 60.0),
    st.integers(min_value=1, max_value=40),
    st.floats(0.0, 1.0),
)
def test_neither_clock_nor_spread_ever_falls(
    forecast: list[float], normal: float, horizon: int, rho: float
) -> None:
    mean, sd = future_clock(10.0, np.array(forecast), normal, horizon, rho=rho)
    assert mean.shape == sd.shape == (horizon,)
    assert (np.diff(np.concatenate([[10.0], mean])) >= 0.0).all()
    assert (sd > 0.0).all()
    assert (np.diff(sd) >= -1e-12).all()


@given(st.integers(min_value=1, max_value=60))
def test_ordinary_weather_ahead_is_the_calendar(horizon: int) -> None:
    mean, _ = future_clock(140.0, np.full(7, 22.0), 22.0, horizon)
    np.testing.assert_allclose(mean, 140.0 + np.arange(1, horizon + 1))
