"""Start dates from draws, against brute force on finely divided days.

Low-discrepancy points: Owen, A.B., 1995, Randomly permuted (t,m,s)-nets and (t,s)-sequences; only
their use as fixed points is checked here. The rule for a harvest is common practice: start so early
that the last load (or the crop's average) still meets the target.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.agronomy.scale import Floats
from alerts.agronomy.start_dates import (
    ClockPath,
    average_starts,
    chance_too_late,
    draw_lines,
    due_days,
    last_load_starts,
    last_load_values,
    middle,
    normal_points,
    start_quantiles,
)

DAYS = np.arange(100.0, 161.0)


def steady_path(pace: float = 1.0, sd: float = 0.0) -> ClockPath:
    since = (DAYS - DAYS[0]) * pace
    return ClockPath(DAYS, since, np.full(DAYS.size, sd))


def bumpy_path(seed: int, sd_rise: float = 0.0) -> ClockPath:
    """Warm and cold days; the spread grows with the root of the days."""
    rng = np.random.default_rng(seed)
    since = np.cumsum(rng.uniform(0.4, 1.6, DAYS.size))
    return ClockPath(DAYS, since - since[0], sd_rise * np.sqrt(DAYS - DAYS[0]))


def random_cov(rng: np.random.Generator, size: int) -> Floats:
    root = rng.normal(size=(size, size))
    return np.asarray(root @ root.T + 0.1 * np.eye(size))


# ------------------------------------------------------------------------- draws


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**31), st.integers(1, 4))
def test_draws_have_the_mean_and_covariance_asked_for(seed: int, fields: int) -> None:
    rng = np.random.default_rng(seed)
    mean, cov = rng.normal(size=2 * fields), random_cov(rng, 2 * fields)
    level, share, weather = draw_lines(mean, cov)
    level, share = level.T, share.T
    drawn = np.empty((level.shape[0], 2 * fields))
    drawn[:, 0::2], drawn[:, 1::2] = level, share
    sd = np.sqrt(np.diag(cov))
    np.testing.assert_allclose((drawn.mean(axis=0) - mean) / sd, 0.0, atol=0.05)
    correlation_error = (np.cov(drawn.T) - cov) / np.outer(sd, sd)
    np.testing.assert_allclose(correlation_error, 0.0, atol=0.1)
    assert abs(weather.mean()) < 0.05
    assert weather.std() == pytest.approx(1.0, abs=0.03)
    with_weather = [np.corrcoef(weather, column)[0, 1] for column in drawn.T]
    np.testing.assert_allclose(with_weather, 0.0, atol=0.1)


def test_draws_of_a_line_known_for_certain_are_all_that_line() -> None:
    level, share, _ = draw_lines([3.0, 0.1], np.zeros((2, 2)))
    np.testing.assert_array_equal(level, 3.0)
    np.testing.assert_array_equal(share, 0.1)


def test_draws_are_the_same_at_every_call() -> None:
    first = normal_points(5).copy()
    normal_points.cache_clear()
    np.testing.assert_array_equal(normal_points(5), first)
    assert not normal_points(5).flags.writeable


# --------------------------------------------------------------------- due days


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**31), st.sampled_from([0.0, 0.3]))
def test_due_days_equal_brute_force_on_fine_days(seed: int, sd_rise: float) -> None:
    rng = np.random.default_rng(seed)
    path = bumpy_path(seed, sd_rise)
    draws, fields = 6, 3
    level = rng.normal(35.0, 1.0, (draws, fields))
    rate = rng.uniform(0.3, 0.9, (draws, fields))
    weather = rng.uniform(-1.3, 1.3, draws)
    target = rng.uniform(38.0, 42.0, fields)
    due = due_days(level.T, rate.T, target, weather, path).T
    fine = np.linspace(DAYS[0], DAYS[-1], 60_001)
    clock = np.interp(fine, DAYS, path.since)
    spread = np.interp(fine, DAYS, path.sd)
    for draw in range(draws):
        for field in range(fields):
            value = level[draw, field] + rate[draw, field] * (clock + spread * weather[draw])
            crossed = np.flatnonzero(value >= target[field])
            if crossed.size and crossed[0] > 0:
                # Corrections for the spread leave a part of its change over the last of them.
                tolerance = 0.02 if sd_rise else 0.002
                assert due[draw, field] == pytest.approx(fine[crossed[0]], abs=tolerance)


def test_due_days_outside_the_path_go_on_at_one_ordinary_day_a_day() -> None:
    level, rate = np.array([[30.0]]), np.array([[0.5]])
    path, still = steady_path(), np.zeros(1)
    assert due_days(level, rate, [70.0], still, path)[0, 0] == pytest.approx(100.0 + 80.0)
    assert due_days(level, rate, [28.0], still, path)[0, 0] == pytest.approx(100.0 - 4.0)


def test_a_warm_spring_is_due_earlier_in_all_fields_together() -> None:
    path = steady_path(sd=3.0)
    level, rate = np.full((2, 2), 34.0), np.full((2, 2), 0.5)
    due = due_days(level, rate, [39.0, 40.0], np.array([1.0, -1.0]), path)
    np.testing.assert_allclose(due, [[107.0, 113.0], [109.0, 115.0]])


# ------------------------------------------------------------------------ starts


@given(st.integers(0, 2**31), st.integers(1, 5))
def test_last_load_starts_leave_every_field_in_time(seed: int, fields: int) -> None:
    rng = np.random.default_rng(seed)
    due = rng.uniform(100, 140, (8, fields))
    done_after = np.cumsum(rng.uniform(0.5, 4, fields))
    starts = last_load_starts(due.T, done_after)
    late = starts[:, None] + done_after - due
    assert (late <= 1e-9).all()
    np.testing.assert_allclose(late.max(axis=1), 0.0, atol=1e-9)  # and no day is given away


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**31))
def test_average_starts_equal_direct_integration_of_the_harvest(seed: int) -> None:
    # A field is cut evenly from its first to its last day. On a straight clock its mean is that of
    # its middle; here each field's quality is integrated over its days instead.
    rng = np.random.default_rng(seed)
    fields, draws = 3, 4
    days = rng.uniform(1.0, 4.0, fields)
    share, done = days / days.sum(), np.cumsum(days)
    path = steady_path(pace=float(rng.uniform(0.7, 1.3)))
    level = rng.normal(33.0, 1.0, (draws, fields))
    rate = rng.uniform(0.4, 0.8, (draws, fields))
    target = np.full(fields, 40.0)
    middle_after, still = done - days / 2, np.zeros(draws)
    starts = average_starts(level.T, rate.T, target, share, middle_after, still, path)
    steps = (np.arange(400) + 0.5) / 400
    when = (done - days)[:, None] + days[:, None] * steps
    for draw in range(draws):
        since = np.interp(starts[draw] + when, DAYS, path.since)
        quality = level[draw][:, None] + rate[draw][:, None] * since
        assert share @ quality.mean(axis=1) == pytest.approx(40.0, abs=1e-3)


def test_average_lies_later_than_last_load() -> None:
    level, rate = np.full((2, 1), 34.0), np.full((2, 1), 0.5)
    path, still, done = steady_path(), np.zeros(1), np.array([3.0, 6.0])
    last = last_load_starts(due_days(level, rate, [40.0, 40.0], still, path), done)
    average = average_starts(level, rate, [40.0, 40.0], [0.5, 0.5], done - 1.5, still, path)
    assert average[0] == pytest.approx(last[0] + 3.0, abs=1e-6)


def test_average_start_before_the_path_is_its_first_day() -> None:
    past = average_starts(
        np.array([[45.0]]), np.array([[0.5]]), [40.0], [1.0], [1.0], np.zeros(1), steady_path()
    )
    assert past[0] == DAYS[0]


def test_start_quantile_is_the_day_the_moment_lies_in() -> None:
    starts = np.array([120.2, 120.9, 121.5, 123.0, 124.99])
    assert start_quantiles(starts, [0.5, 1.0]).tolist() == [121, 124]
    assert start_quantiles(np.array([121.0 - 1e-12]), [0.5]).tolist() == [121]


@given(st.integers(0, 2**31), st.integers(1, 9))
def test_quantiles_and_middle_equal_the_library_s(seed: int, draws: int) -> None:
    # NumPy's quantile by its default rule (Hyndman, R.J., Fan, Y., 1996, Sample quantiles in
    # statistical packages, definition 7) and its median.
    starts = np.random.default_rng(seed).normal(120.0, 5.0, (3, 2, draws))
    chances = [0.1, 0.5, 0.9]
    expected = np.floor(np.quantile(starts, chances, axis=-1) + 1e-9)
    np.testing.assert_array_equal(start_quantiles(starts, chances), np.moveaxis(expected, 0, -1))
    np.testing.assert_allclose(middle(starts), np.median(starts, axis=-1))


def test_chance_too_late_counts_the_draws_that_had_to_start_before() -> None:
    starts = np.array([120.0, 121.5, 122.0, 124.0])
    chance = chance_too_late(starts, [120.0, 121.0, 122.0, 125.0])
    np.testing.assert_allclose(chance, [0.0, 0.25, 0.5, 1.0])
    assert (np.diff(chance) >= 0).all()


# ------------------------------------------------------------------- many at once


@given(st.integers(0, 2**31))
def test_path_between_its_mornings_equals_interpolation(seed: int) -> None:
    path = bumpy_path(seed, 0.4)
    days = np.random.default_rng(seed).uniform(DAYS[0] - 5, DAYS[-1] + 5, (4, 7))
    np.testing.assert_allclose(path.spread_at(days), np.interp(days, DAYS, path.sd), atol=1e-12)
    inside = days.clip(DAYS[0], DAYS[-1])
    clock = np.interp(inside, DAYS, path.since)
    np.testing.assert_allclose(path.day_at(clock), inside, atol=1e-9)


@pytest.mark.parametrize("make", [steady_path, lambda: bumpy_path(3, 0.3)])
def test_farms_together_give_what_each_gives_alone(make: Callable[[], ClockPath]) -> None:
    rng = np.random.default_rng(5)
    farms, fields = 4, 3
    path, coming = make(), np.arange(120.0, 130.0)
    mean = rng.normal(0.0, 0.1, (farms, 2 * fields))
    cov = np.array([0.01 * random_cov(rng, 2 * fields) for _ in range(farms)])
    target, done = rng.uniform(38.0, 42.0, (farms, fields)), rng.uniform(0.5, 6, (farms, fields))

    def work_out(which: int | slice) -> tuple[Floats, ...]:
        level, rate, weather = draw_lines(mean[which], cov[which])
        level, rate = 30.0 + level, 0.5 * np.maximum(1.0 + rate, 0.1)
        starts = last_load_starts(due_days(level, rate, target[which], weather, path), done[which])
        load = last_load_values(level, rate, coming, done[which], weather, path)
        return starts, middle(load), chance_too_late(starts, coming)

    together = work_out(slice(None))
    for farm in range(farms):
        for one, of_all in zip(work_out(farm), together, strict=True):
            np.testing.assert_allclose(one, of_all[farm], atol=1e-9)


def test_draws_do_not_hang_on_the_last_digit() -> None:
    # Eigenvectors are known but for their sign (any text on linear algebra).
    rng = np.random.default_rng(11)
    mean, cov = rng.normal(size=6), random_cov(rng, 6)
    level, share, _ = draw_lines(mean, cov)
    for seed in range(20):
        noise = np.random.default_rng(seed).normal(size=(6, 6)) * 1e-14
        near_level, near_share, _ = draw_lines(mean, cov + noise + noise.T)
        np.testing.assert_allclose(near_level, level, atol=1e-9)
        np.testing.assert_allclose(near_share, share, atol=1e-9)
