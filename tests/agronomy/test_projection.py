"""The closed form of one line per field against the same model written out as one big Gaussian."""

from __future__ import annotations

from dataclasses import dataclass, replace
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.agronomy.projection import Lines, fit_lines
from alerts.agronomy.scale import Floats

FIRST_DAY = 739_750  # date(2026, 5, 17).toordinal(): day numbers as large as real ones
ANY_LEVEL_VAR = 1e8  # stands for 'the level is known only from the results'


@dataclass(frozen=True)
class Problem:
    """Results of some fields, as `fit_lines` takes them."""

    field: list[int]
    day: list[float]
    value: list[float]
    sd: list[float]
    visit_sd: list[float]
    rate: list[float]
    rate_sd: list[float]

    def fit(self) -> Lines:
        return fit_lines(
            field=self.field,
            day=self.day,
            value=self.value,
            sd=self.sd,
            visit_sd=self.visit_sd,
            rate=self.rate,
            rate_sd=self.rate_sd,
        )

    def rows_in_order(self, order: list[int]) -> Problem:
        return replace(
            self,
            field=[self.field[row] for row in order],
            day=[self.day[row] for row in order],
            value=[self.value[row] for row in order],
            sd=[self.sd[row] for row in order],
        )


def numbers(low: float, high: float, size: int) -> st.SearchStrategy[list[float]]:
    return st.lists(st.floats(min_value=low, max_value=high), min_size=size, max_size=size)


@st.composite
def problems(draw: st.DrawFn) -> Problem:
    fields = draw(st.integers(1, 3))
    results = draw(st.integers(1, 10))
    days = draw(st.lists(st.integers(0, 28), min_size=results, max_size=results))
    return Problem(
        field=draw(st.lists(st.integers(0, fields - 1), min_size=results, max_size=results)),
        day=[float(FIRST_DAY + day) for day in days],
        value=draw(numbers(25, 55, results)),
        sd=draw(numbers(0.5, 4, results)),
        visit_sd=draw(numbers(0, 3, fields)),
        rate=draw(numbers(0.1, 1.5, fields)),
        rate_sd=draw(numbers(0.05, 0.5, fields)),
    )


def one_big_gaussian(problem: Problem, days: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of every field's line on each day, conditioned on all results at once.

    The lines of all fields on all days and all results are one vector of normal variables; only
    their prior covariances and `numpy.linalg.solve` are used. Shape (fields, days).
    """
    fields = len(problem.rate)
    origin = float(np.mean(problem.day))
    who = np.concatenate([problem.field, np.repeat(np.arange(fields), days.size)]).astype(int)
    when = np.concatenate([problem.day, np.tile(days, fields)]) - origin
    rate, rate_sd = np.array(problem.rate)[who], np.array(problem.rate_sd)[who]
    prior_mean = np.mean(problem.value) + rate * when
    same_field = who[:, None] == who[None, :]
    prior = same_field * (ANY_LEVEL_VAR + np.outer(rate_sd * when, rate_sd * when))

    n = len(problem.field)
    same_visit = same_field[:n, :n] & (when[:n, None] == when[None, :n])
    visit_var = np.square(np.array(problem.visit_sd)[who[:n]])
    observed = prior[:n, :n] + same_visit * visit_var + np.diag(np.square(problem.sd))
    gain = np.linalg.solve(observed, prior[:n, n:]).T
    mean = prior_mean[n:] + gain @ (np.array(problem.value) - prior_mean[:n])
    variance = np.diag(prior[n:, n:] - gain @ prior[:n, n:])
    return mean.reshape(fields, -1), variance.reshape(fields, -1)


# --- the model


@settings(deadline=None)
@given(problems())
def test_fit_equals_one_big_gaussian(problem: Problem) -> None:
    days = FIRST_DAY + np.array([-5.0, 0.0, 13.0, 29.0, 60.0])
    lines = problem.fit()
    mean, variance = one_big_gaussian(problem, days)
    sampled = np.isin(np.arange(len(problem.rate)), problem.field)
    # The level variance of 1e8 stands for an infinite one and costs the reference digits.
    np.testing.assert_allclose(lines.mean(days)[sampled], mean[sampled], rtol=1e-5, atol=1e-5)
    np.testing.assert_allclose(
        np.square(lines.sd(days)[sampled]), variance[sampled], rtol=1e-5, atol=1e-5
    )


@settings(deadline=None)
@given(problems())
def test_fit_solves_the_normal_equations(problem: Problem) -> None:
    # The same posterior in information form, where a level known only from the results is exact:
    # generalised least squares with the visit covariance and the prior of the rate alone.
    lines = problem.fit()
    for field in sorted(set(problem.field)):
        mine = [row for row, owner in enumerate(problem.field) if owner == field]
        day, value, sd = (
            np.array(column)[mine] for column in (problem.day, problem.value, problem.sd)
        )
        apart = day - lines.middle[field]
        design = np.stack([np.ones_like(apart), apart], axis=1)
        same_visit = day[:, None] == day[None, :]
        noise = same_visit * problem.visit_sd[field] ** 2 + np.diag(np.square(sd))
        rate_precision = problem.rate_sd[field] ** -2
        information = design.T @ np.linalg.solve(noise, design) + np.diag([0.0, rate_precision])
        score = design.T @ np.linalg.solve(noise, value)
        score = score + np.array([0.0, rate_precision * problem.rate[field]])
        level, rate = np.linalg.solve(information, score)
        variance = np.linalg.inv(information)
        assert lines.level[field] == pytest.approx(level, rel=1e-9)
        assert lines.rate[field] == pytest.approx(rate, rel=1e-8, abs=1e-9)
        assert lines.level_var[field] == pytest.approx(variance[0, 0], rel=1e-8)
        assert lines.rate_var[field] == pytest.approx(variance[1, 1], rel=1e-8)
        assert variance[0, 1] == pytest.approx(0.0, abs=1e-9)


@settings(deadline=None)
@given(problems(), st.randoms(use_true_random=False))
def test_fit_does_not_depend_on_the_order_of_results(problem: Problem, random: Random) -> None:
    order = list(range(len(problem.field)))
    random.shuffle(order)
    one, other = problem.fit(), problem.rows_in_order(order).fit()
    for name in ("middle", "level", "level_var", "rate", "rate_var"):
        np.testing.assert_allclose(getattr(one, name), getattr(other, name), rtol=1e-9)


@settings(deadline=None)
@given(problems())
def test_fit_of_one_field_ignores_the_others(problem: Problem) -> None:
    mine = [row for row, owner in enumerate(problem.field) if owner == 0]
    alone = problem.rows_in_order(mine).fit()
    together = problem.fit()
    for name in ("middle", "level", "level_var", "rate", "rate_var"):
        np.testing.assert_allclose(getattr(alone, name)[0], getattr(together, name)[0], rtol=1e-9)


# --- what it must do


def test_one_result_gives_the_rule_of_thumb() -> None:
    # common practice: last result plus days times the published rate; NDF 34 and 0.55 a day
    lines = fit_lines(
        field=[0], day=[10], value=[34.0], sd=[1.4], visit_sd=1.5, rate=[0.55], rate_sd=[0.12]
    )
    days = np.array([10.0, 14.0, 17.0])
    np.testing.assert_allclose(lines.mean(days)[0], [34.0, 36.2, 37.85])
    # our arithmetic: error of the result, of its day, and of the rate times the days ahead
    variance = 1.4**2 + 1.5**2 + np.square(0.12 * np.array([0.0, 4.0, 7.0]))
    np.testing.assert_allclose(lines.sd(days)[0], np.sqrt(variance))


def test_many_results_beat_the_published_rate() -> None:
    day = np.arange(0.0, 24.0)
    value = 30.0 + 1.0 * day + np.where(day % 2 == 0, 0.3, -0.3)  # twice the published rate
    lines = fit_lines(
        field=np.zeros(24, dtype=int),
        day=day,
        value=value,
        sd=np.full(24, 0.3),
        visit_sd=0.2,
        rate=[0.5],
        rate_sd=[0.1],
    )
    own_slope = np.polynomial.Polynomial.fit(day, value, 1).convert().coef[1]
    assert lines.rate[0] == pytest.approx(own_slope, abs=0.02)
    assert lines.rate[0] == pytest.approx(1.0, abs=0.02)
    assert lines.rate_var[0] < 0.1**2 / 20


def test_each_further_day_of_results_moves_the_rate_further_from_the_published_one() -> None:
    rates = []
    for count in range(1, 8):
        day = 3.0 * np.arange(count)
        lines = fit_lines(
            field=np.zeros(count, dtype=int),
            day=day,
            value=30.0 + 0.9 * day,
            sd=np.full(count, 1.4),
            visit_sd=1.5,
            rate=[0.55],
            rate_sd=[0.12],
        )
        rates.append(float(lines.rate[0]))
    assert rates[0] == 0.55
    assert rates == sorted(rates)
    assert 0.55 < rates[1] < 0.6 < rates[-1] < 0.9


def test_two_clips_of_one_day_are_worth_less_than_two_days() -> None:
    def fit(days: list[float], visit_sd: float) -> Lines:
        return fit_lines(
            field=[0, 0],
            day=days,
            value=[34.0, 34.5],
            sd=[1.4, 1.4],
            visit_sd=visit_sd,
            rate=[0.5],
            rate_sd=[0.1],
        )

    same_day, two_days = fit([10, 10], 1.5), fit([10, 11], 1.5)
    # our arithmetic: the day's own term does not average out within the day
    assert same_day.level_var[0] == pytest.approx(1.5**2 + 1.4**2 / 2)
    assert two_days.level_var[0] == pytest.approx((1.5**2 + 1.4**2) / 2)
    assert same_day.rate_var[0] == pytest.approx(0.1**2)  # one day says nothing of the rate
    assert two_days.rate_var[0] < 0.1**2
    without = fit([10, 10], 0.0)
    assert without.level_var[0] == pytest.approx(1.4**2 / 2)


def test_clips_of_one_day_are_weighed_by_their_error() -> None:
    lines = fit_lines(
        field=[0, 0],
        day=[10, 10],
        value=[34.0, 37.0],
        sd=[1.0, 2.0],
        visit_sd=0.0,
        rate=[0.5],
        rate_sd=[0.1],
    )
    assert lines.level[0] == pytest.approx(34.0 * 0.8 + 37.0 * 0.2)  # weights 1 and 1/4


def test_two_fields_of_one_day_do_not_share_their_visit() -> None:
    lines = fit_lines(
        field=[0, 1],
        day=[10, 10],
        value=[34.0, 36.0],
        sd=[1.4, 1.4],
        visit_sd=[0.0, 1.5],
        rate=[0.5, 0.5],
        rate_sd=[0.1, 0.1],
    )
    np.testing.assert_allclose(lines.level, [34.0, 36.0])
    np.testing.assert_allclose(lines.level_var, [1.4**2, 1.4**2 + 1.5**2])


def test_field_without_results_has_no_level() -> None:
    lines = fit_lines(
        field=[1],
        day=[10],
        value=[34.0],
        sd=[1.4],
        visit_sd=1.5,
        rate=[0.5, 0.8],
        rate_sd=[0.1] * 2,
    )
    np.testing.assert_array_equal(np.isnan(lines.level), [True, False])
    np.testing.assert_array_equal(np.isnan(lines.middle), [True, False])
    np.testing.assert_array_equal(np.isnan(lines.mean([10.0, 20.0])[0]), [True, True])
    np.testing.assert_allclose(lines.rate, [0.5, 0.8])


def test_no_results_at_all_leave_every_field_at_its_prior() -> None:
    lines = fit_lines(
        field=[], day=[], value=[], sd=[], visit_sd=1.5, rate=[0.5, 0.8], rate_sd=[0.1, 0.2]
    )
    assert np.isnan(lines.level).all()
    np.testing.assert_allclose(lines.rate, [0.5, 0.8])
    np.testing.assert_allclose(lines.rate_var, [0.01, 0.04])


def test_chance_meets_is_even_where_the_line_crosses_the_target() -> None:
    lines = fit_lines(
        field=[0], day=[10], value=[34.0], sd=[1.4], visit_sd=0.0, rate=[0.5], rate_sd=[0.1]
    )
    chance = lines.chance_meets([36.0], [10.0, 14.0, 18.0])
    assert chance.shape == (1, 3)
    assert chance[0, 1] == pytest.approx(0.5)
    # our arithmetic: a distance of one standard deviation is met with 0.8413 (normal table)
    one_sd_below = 36.0 + float(lines.sd([14.0])[0, 0])
    assert float(lines.chance_meets([one_sd_below], [14.0])[0, 0]) == pytest.approx(
        0.8413, abs=5e-5
    )


def test_pick_repeats_and_reorders_fields() -> None:
    lines = fit_lines(
        field=[0, 1],
        day=[10, 10],
        value=[34.0, 36.0],
        sd=[1.4, 1.4],
        visit_sd=1.5,
        rate=[0.5, 0.8],
        rate_sd=[0.1, 0.2],
    )
    picked = lines.pick([1, 0, 1])
    np.testing.assert_allclose(picked.level, [36.0, 34.0, 36.0])
    np.testing.assert_allclose(picked.rate, [0.8, 0.5, 0.8])
