"""The area model against the dense computation, a statistics library and what growers expect.

The dense computation conditions one big normal vector on all results, from prior covariances alone:
Rasmussen, C.E., Williams, C.K.I., 2006, Gaussian processes for machine learning (equations for the
noisy case, from memory). The library is statsmodels' MixedLM (Seabold, S., Perktold, J., 2010,
Statsmodels: econometric and statistical modeling with Python).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams, VCSpec

from alerts.agronomy.area_model import AreaPosterior, Fields, Results, Spreads, fit_areas
from alerts.agronomy.scale import Floats

NDF = Spreads(
    area_level=12.0,
    area_rate=0.2,
    field_level=1.7,
    field_rate=0.12,
    visit=1.5,
    other_index=2.0,
    drift=0.33,
)
"""About the guidelines' spreads for NDF of pure alfalfa."""

RATE = 0.55
PRIOR = 38.0
RESULT_SD = 1.8


# ------------------------------------------------------------------- the problem


@dataclass(frozen=True)
class Problem:
    fields: Fields
    results: Results
    spreads: Spreads
    units: int
    ahead: float

    def fit(self, *, robust: bool = False) -> AreaPosterior:
        return fit_areas(self.fields, self.results, self.spreads, units=self.units, robust=robust)


def random_problem(seed: int, units: int, results: int, days: int, others: int) -> Problem:
    """Units of 0 to 4 fields, at least one in all; every field may go without results."""
    rng = np.random.default_rng(seed)
    sizes = rng.integers(0, 5, units)
    sizes[rng.integers(units)] += 1
    unit = np.repeat(np.arange(units), sizes)
    fields = Fields(unit, rng.normal(38.0, 2.0, unit.size), rng.uniform(0.2, 1.2, unit.size))
    visit = rng.integers(0, days, results)
    spread = [rng.uniform(*span, units) for span in ((1, 30), (0.1, 0.5), (0.5, 3), (0.05, 0.3))]
    return Problem(
        fields=fields,
        results=Results(
            field=rng.integers(0, unit.size, results),
            visit=visit,
            since=-3.5 * visit + rng.normal(0, 0.2, results),
            value=rng.normal(38.0, 4.0, results),
            sd=rng.uniform(0.8, 4.0, results),
            other=rng.integers(0, others + 1, results),
        ),
        spreads=Spreads(
            *spread,
            visit=rng.uniform(0.3, 3, units),
            other_index=rng.uniform(1, 4, units),
            drift=rng.choice([0.0, 0.4], units),
        ),
        units=units,
        ahead=float(rng.uniform(-10, 20)),
    )


class Dense:
    """One unit of a problem as one normal vector: the fields' curves at `ahead`, the results."""

    def __init__(self, problem: Problem, unit: int) -> None:
        fields, results = problem.fields, problem.results
        self.chosen = np.flatnonzero(fields.unit == unit)
        rows = np.flatnonzero(fields.unit[results.field] == unit)
        self.owner = np.concatenate([self.chosen, results.field[rows]])
        since = np.concatenate([np.full(self.chosen.size, problem.ahead), results.since[rows]])
        self.is_result = np.arange(self.owner.size) >= self.chosen.size
        self.visit = np.concatenate([np.full(self.chosen.size, -1), results.visit[rows]])
        self.other = np.concatenate([np.zeros(self.chosen.size, int), results.other[rows]])
        self.grown = fields.rate[self.owner] * since
        self.mean = fields.level[self.owner] + self.grown
        self.since = since
        self.noise = np.concatenate([np.zeros(self.chosen.size), results.sd[rows] ** 2])
        self.value = results.value[rows]
        self.spreads = {
            name: float(np.broadcast_to(getattr(problem.spreads, name), problem.units)[unit])
            for name in Spreads.__dataclass_fields__
        }

    def covariance(self) -> Floats:
        s, both = self.spreads, np.outer(self.is_result, self.is_result)
        grown = np.outer(self.grown, self.grown)
        same_field = self.owner[:, None] == self.owner
        same_day = both & (self.visit[:, None] == self.visit)
        same_other = both & (self.other[:, None] == self.other) & (self.other > 0)
        cov = s["area_level"] ** 2 + s["area_rate"] ** 2 * grown
        cov = cov + same_field * (s["field_level"] ** 2 + s["field_rate"] ** 2 * grown)
        cov = cov + same_day * s["visit"] ** 2 + same_other * s["other_index"] ** 2
        back = self.days_back()
        walk = s["drift"] ** 2 * np.minimum(back[:, None], back)
        return cov + both * walk + np.diag(self.noise)

    def days_back(self) -> Floats:
        """How long before the newest sampling day, by the mean clock of each day's results."""
        on = {day: self.since[self.visit == day].mean() for day in set(self.visit) - {-1}}
        newest = max(on.values(), default=0.0)
        return np.array([newest - on.get(day, newest) for day in self.visit])

    def lines(self) -> tuple[Floats, Floats]:
        """Mean and covariance of the fields' curves given the results."""
        cov, known = self.covariance(), self.is_result
        gain = np.linalg.solve(cov[np.ix_(known, known)], cov[np.ix_(known, ~known)]).T
        mean = self.mean[~known] + gain @ (self.value - self.mean[known])
        return mean, cov[np.ix_(~known, ~known)] - gain @ cov[np.ix_(known, ~known)]


# ------------------------------------------------------------- outside checks


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    units=st.integers(1, 4),
    results=st.integers(0, 30),
    days=st.integers(1, 6),
    others=st.integers(0, 2),
)
def test_posterior_equals_the_dense_one(
    seed: int, units: int, results: int, days: int, others: int
) -> None:
    problem = random_problem(seed, units, results, days, others)
    posterior = problem.fit()
    mean, var = posterior.line(problem.ahead)
    for unit in np.unique(problem.fields.unit):
        dense = Dense(problem, int(unit))
        expected, cov = dense.lines()
        np.testing.assert_allclose(mean[dense.chosen], expected, atol=1e-8)
        np.testing.assert_allclose(var[dense.chosen], np.diag(cov), atol=1e-8)
        grown = problem.fields.rate[dense.chosen] * problem.ahead
        to_line = np.kron(np.eye(grown.size), [[1.0, 0.0]])
        to_line[np.arange(grown.size), 2 * np.arange(grown.size) + 1] = grown
        _, joint = posterior.joint(dense.chosen)
        np.testing.assert_allclose(to_line @ joint @ to_line.T, cov, atol=1e-8)


@pytest.mark.parametrize("seed", range(8))
def test_posterior_equals_that_of_a_mixed_model_library(seed: int) -> None:
    # An area level and rate of nearly unlimited spread are what the library calls fixed effects;
    # its variances are held at ours. It has no walk and one error for all results.
    rng = np.random.default_rng(seed)
    n, size = 40, 5
    spreads = Spreads(1e4, 1e4, 1.7, 0.2, 1.5, 2.0)
    fields = Fields(np.zeros(size, int), np.full(size, PRIOR), np.full(size, RATE))
    visit = rng.integers(0, 6, n)
    results = Results(
        field=rng.integers(0, size, n),
        visit=visit,
        since=-3.5 * visit,
        value=rng.normal(36.0, 3.0, n),
        sd=np.full(n, RESULT_SD),
        other=np.zeros(n, dtype=np.intp),
    )
    posterior = fit_areas(fields, results, spreads, units=1, robust=False)

    grown = RATE * results.since
    of_field = pd.get_dummies(results.field).to_numpy(float)
    of_day = pd.get_dummies(visit).to_numpy(float)
    parts = {
        "field": (of_field, 1.7),
        "rate": (of_field * grown[:, None], 0.2),
        "day": (of_day, 1.5),
    }
    model = MixedLM(
        results.value - PRIOR - grown,
        np.stack([np.ones(n), grown], axis=1),
        groups=np.zeros(n),
        exog_vc=VCSpec(
            list(parts),
            [[[f"{name}{k}" for k in range(part.shape[1])]] for name, (part, _) in parts.items()],
            [[part] for part, _ in parts.values()],
        ),
    )
    ratios = np.array([sd**2 / RESULT_SD**2 for _, sd in parts.values()])
    start = MixedLMParams.from_components(fe_params=np.zeros(2), vcomp=ratios)
    fixed = MixedLMParams.from_components(fe_params=np.ones(2), vcomp=np.zeros(3))
    start.fe_params, _ = model.get_fe_params(np.zeros((0, 0)), ratios)
    fitted = model.fit(start_params=start, free=fixed, method="bfgs")
    effects = fitted.random_effects[0.0]
    level = fitted.fe_params[0] + effects[[f"field[field{k}]" for k in range(size)]].to_numpy()
    share = fitted.fe_params[1] + effects[[f"rate[rate{k}]" for k in range(size)]].to_numpy()
    np.testing.assert_allclose(posterior.mean[:, 0], level, atol=1e-4)
    np.testing.assert_allclose(posterior.mean[:, 1], share, atol=1e-4)
    days = effects[[f"day[day{k}]" for k in range(of_day.shape[1])]].to_numpy()
    np.testing.assert_allclose(posterior.visit[0, np.unique(visit)], days, atol=1e-4)


def test_units_do_not_bear_on_one_another_whatever_their_size() -> None:
    problem = random_problem(5, 4, 60, 5, 2)
    together = problem.fit(robust=True)
    for unit in np.unique(problem.fields.unit):
        chosen = np.flatnonzero(problem.fields.unit == unit)
        rows = np.flatnonzero(np.isin(problem.results.field, chosen))
        alone = fit_areas(
            Fields(
                np.zeros(chosen.size, int),
                problem.fields.level[chosen],
                problem.fields.rate[chosen],
            ),
            Results(
                problem.results.field[rows] - chosen[0],
                *(
                    getattr(problem.results, name)[rows]
                    for name in ("visit", "since", "value", "sd", "other")
                ),
            ),
            Spreads(
                *(
                    np.asarray(getattr(problem.spreads, name))[[unit]]
                    for name in Spreads.__dataclass_fields__
                )
            ),
            units=1,
        )
        np.testing.assert_allclose(together.mean[chosen], alone.mean, atol=1e-9)
        np.testing.assert_allclose(together.cov()[chosen], alone.cov(), atol=1e-9)
        np.testing.assert_allclose(together.weight[rows], alone.weight, atol=1e-9)


# ------------------------------------------------------------ what growers expect


def area(
    values: dict[int, list[tuple[float, float]]], fields: int, spreads: Spreads = NDF
) -> tuple[AreaPosterior, Results]:
    """One area; `values` holds (day, NDF) of each field, day 0 being the newest."""
    rows = [(field, day, ndf) for field, pairs in values.items() for day, ndf in pairs]
    field, day, ndf = (np.array(part) for part in zip(*rows, strict=True)) if rows else [[]] * 3
    field = np.asarray(field, dtype=np.intp)
    since = np.asarray(day, dtype=np.float64)
    results = Results(
        field=field,
        visit=np.unique(since, return_inverse=True)[1].astype(np.intp),
        since=since,
        value=np.asarray(ndf, dtype=np.float64),
        sd=np.full(field.size, RESULT_SD),
        other=np.zeros(field.size, dtype=np.intp),
    )
    plan = Fields(np.zeros(fields, dtype=np.intp), np.full(fields, PRIOR), np.full(fields, RATE))
    return fit_areas(plan, results, spreads, units=1), results


def due(posterior: AreaPosterior, target: float = 40.0) -> Floats:
    """Day on which each field's mean curve meets the target."""
    level = posterior.fields.level + posterior.mean[:, 0]
    return (target - level) / (posterior.fields.rate * (1.0 + posterior.mean[:, 1]))


def straight(days: range, ndf_today: float, rate: float = RATE) -> list[tuple[float, float]]:
    return [(float(day), ndf_today + rate * day) for day in days]


def test_one_result_gives_the_rule_of_thumb() -> None:
    # common practice: last result plus the published daily change
    posterior, _ = area({0: [(0.0, 34.0)]}, 1, replace(NDF, area_level=1e3))
    mean, _ = posterior.line(8.0)
    assert mean[0] == pytest.approx(34.0 + 8 * RATE, abs=0.01)


def test_a_field_nobody_sampled_follows_the_area() -> None:
    posterior, _ = area({0: [(0.0, 34.0)], 1: [(0.0, 35.0)]}, 3)
    mean, var = posterior.line(0.0)
    assert 34.0 < mean[2] < 35.0
    assert var[2] > 1.5 * max(var[0], var[1])


@pytest.mark.parametrize(("drift", "least"), [(0.0, 0.75), (0.33, 0.7)])
def test_many_results_overrule_the_published_numbers(drift: float, least: float) -> None:
    # Eight fields and twelve rounds that all climb at 0.8 a day, where 0.55 was published. The
    # days' own shifts leave some doubt, a clock that does not know the weather some more.
    values = {f: straight(range(-33, 1, 3), 40.0, 0.8) for f in range(8)}
    posterior, _ = area(values, 8, replace(NDF, drift=drift))
    rate = RATE * (1.0 + posterior.mean[:, 1])
    assert ((rate > least) & (rate <= 0.8)).all()
    np.testing.assert_allclose(posterior.line(0.0)[0], 40.0, atol=0.6)


def test_two_rounds_of_steep_clips_do_not_make_a_steep_line() -> None:
    # Two rounds a week apart, 8 units apart where 4 were expected: half of it is the days' own.
    posterior, _ = area({f: [(-7.0, 30.0), (0.0, 38.0)] for f in range(6)}, 6)
    rate = RATE * (1.0 + posterior.mean[:, 1])
    assert (rate < 0.7).all()


def test_one_absurd_result_among_ten_hardly_moves_the_date() -> None:
    sound = straight(range(-27, 1, 3), 37.0)
    absurd = [(day, ndf + (20.0 if day == -3 else 0.0)) for day, ndf in sound]
    before, _ = area({0: sound, 1: sound}, 2)
    after, results = area({0: absurd, 1: sound}, 2)
    odd = (results.field == 0) & (results.since == -3)
    assert after.weight[odd] < 0.2
    assert (after.weight[~odd] > 0.9).all()
    np.testing.assert_allclose(due(after), due(before), atol=1.0)
    plain = fit_areas(after.fields, results, NDF, units=1, robust=False)
    assert abs(due(plain) - due(before)).max() > 1.5


@pytest.mark.parametrize("off", [-16.0, 10.0])
@pytest.mark.parametrize("drift", [0.0, 0.33])
def test_an_absurd_newest_result_of_a_lone_field_leaves_its_line_alone(
    off: float, drift: float
) -> None:
    sound = straight(range(-15, 1, 3), 37.0)
    absurd = [*sound[:-1], (0.0, 37.0 + off)]
    spreads = replace(NDF, drift=drift)
    before, _ = area({0: sound}, 1, spreads)
    after, results = area({0: absurd}, 1, spreads)
    newest = results.since == 0
    assert after.weight[newest] < 0.3
    assert (after.weight[~newest] > 0.9).all()
    np.testing.assert_allclose(due(after), due(before), atol=3.0)


@pytest.mark.parametrize("off", [-16.0, -7.0, 0.0, 5.0, 10.0])
def test_a_lone_result_and_its_day_are_one_thing(off: float) -> None:
    # Only the sum of the two errors is ever seen, so how it is divided cannot matter to the line.
    rows = [*straight(range(-15, 0, 3), 37.0), (0.0, 37.0 + off)]
    whole, _ = area({0: rows}, 1, replace(NDF, visit=np.sqrt(4.5 - RESULT_SD**2), drift=0.2))
    swapped = fit_areas(
        whole.fields,
        Results(
            field=np.zeros(6, dtype=np.intp),
            visit=np.arange(6),
            since=np.array([day for day, _ in rows]),
            value=np.array([ndf for _, ndf in rows]),
            sd=np.full(6, np.sqrt(4.5 - 0.5**2)),
            other=np.zeros(6, dtype=np.intp),
        ),
        replace(NDF, visit=0.5, drift=0.2),
        units=1,
    )
    np.testing.assert_allclose(swapped.mean, whole.mean, atol=1e-6)
    np.testing.assert_allclose(swapped.cov(), whole.cov(), rtol=1e-6)


@pytest.mark.parametrize("rate", [0.4, 1.0])
def test_a_steadily_slow_or_quick_lone_field_is_not_taken_for_odd(rate: float) -> None:
    # 0.4 and 1.0 a day lie within what was published for the first cutting (0.4 to 1.2)
    posterior, _ = area({0: straight(range(-18, 1, 3), 37.0, rate)}, 1)
    assert (posterior.weight > 0.9).all()
    assert abs(posterior.fields.rate * (1.0 + posterior.mean[0, 1]) - RATE) > abs(rate - RATE) / 3


def test_one_odd_sampling_day_does_not_swing_the_date() -> None:
    sound = {f: straight(range(-21, 1, 7), 37.0) for f in range(5)}
    odd = {f: [(d, v + (8.0 if d == -7 else 0.0)) for d, v in sound[f]] for f in sound}
    before, _ = area(sound, 5)
    after, _ = area(odd, 5)
    np.testing.assert_allclose(due(after), due(before), atol=2.0)
    assert after.visit[0, 2] > 5.0


def test_a_field_unlike_its_neighbors_is_believed_and_leaves_them_alone() -> None:
    like = {f: straight(range(-14, 1, 7), 37.0 + 0.3 * f) for f in range(4)}
    before, _ = area(like, 5)
    after, _ = area({**like, 4: straight(range(-14, 1, 7), 52.0)}, 5)
    assert after.line(0.0)[0][4] == pytest.approx(52.0, abs=1.0)
    np.testing.assert_allclose(due(after)[:4], due(before)[:4], atol=0.5)


def test_a_single_result_far_from_its_neighbors_is_met_half_way() -> None:
    like = {f: straight(range(-14, 1, 7), 37.0) for f in range(4)}
    posterior, _ = area({**like, 4: [(0.0, 52.0)]}, 5)
    assert 40.0 < posterior.line(0.0)[0][4] < 49.0


def test_results_in_another_index_keep_their_shift_to_themselves() -> None:
    own = {f: straight(range(-14, 1, 7), 37.0) for f in range(3)}
    posterior, results = area(own, 3)
    foreign = replace(
        results,
        field=np.concatenate([results.field, results.field]),
        visit=np.concatenate([results.visit, results.visit]),
        since=np.concatenate([results.since, results.since]),
        value=np.concatenate([results.value, results.value + 3.0]),
        sd=np.concatenate([results.sd, results.sd + 1.0]),
        other=np.concatenate([results.other, results.other + 1]),
    )
    both = fit_areas(posterior.fields, foreign, NDF, units=1)
    assert both.other[0, 0] == pytest.approx(3.0, abs=0.8)
    np.testing.assert_allclose(due(both), due(posterior), atol=1.2)
    assert (both.weight > 0.95).all()


# ------------------------------------------------------------------ degenerate


def no_results() -> Results:
    nothing, none = np.zeros(0), np.zeros(0, dtype=np.intp)
    return Results(none, none, nothing, nothing, nothing, none)


def test_no_result_at_all_leaves_the_prior() -> None:
    plan = Fields(np.array([0, 0, 2]), np.full(3, PRIOR), np.full(3, RATE))
    posterior = fit_areas(plan, no_results(), NDF, units=3, robust=False)
    mean, var = posterior.line(4.0)
    np.testing.assert_allclose(mean, PRIOR + 4 * RATE)
    shares = (4 * RATE) ** 2 * (0.2**2 + 0.12**2)
    np.testing.assert_allclose(var, 12.0**2 + 1.7**2 + shares)


def test_no_result_at_all_leaves_a_wide_prior_where_fields_may_be_unlike() -> None:
    plan = Fields(np.array([0, 0, 2]), np.full(3, PRIOR), np.full(3, RATE))
    mean, var = fit_areas(plan, no_results(), NDF, units=3).line(4.0)
    np.testing.assert_allclose(mean, PRIOR + 4 * RATE)
    shares = (4 * RATE) ** 2 * (0.2**2 + 0.12**2)
    assert (var > 12.0**2 + 1.7**2 + shares).all()
    assert (var < 12.0**2 + (4 * 1.7) ** 2 + 16 * shares).all()


def test_a_unit_without_results_beside_one_with_results() -> None:
    plan = Fields(np.array([0, 1]), np.full(2, PRIOR), np.full(2, RATE))
    results = Results(
        field=np.array([1, 1]),
        visit=np.array([0, 1]),
        since=np.array([-4.0, 0.0]),
        value=np.array([30.0, 33.0]),
        sd=np.array([1.8, 1.8]),
        other=np.array([0, 0]),
    )
    mean, var = fit_areas(plan, results, NDF, units=3).line(0.0)
    assert mean[0] == pytest.approx(PRIOR)
    assert var[0] > 12.0**2
    assert var[1] < 5.0


def test_all_results_on_one_day_say_nothing_of_the_rate() -> None:
    posterior, _ = area({f: [(0.0, 33.0 + f)] for f in range(5)}, 5)
    np.testing.assert_allclose(posterior.mean[:, 1], 0.0, atol=1e-9)
    assert np.isfinite(posterior.cov()).all()


def test_results_that_rise_in_quality_still_lead_to_a_day() -> None:
    # NDF that sinks by 0.4 a day over two weeks: doubtful, but the crop will ripen all the same.
    posterior, _ = area({0: straight(range(-14, 1, 7), 36.0, -0.4)}, 1)
    assert 0.0 < due(posterior)[0] < 40.0


def test_a_hundred_results_of_one_field_and_day_are_no_hindrance() -> None:
    posterior, _ = area({0: [(0.0, 36.0)] * 100}, 1)
    mean, var = posterior.line(0.0)
    assert 35.0 < mean[0] < 37.5
    assert var[0] > 1.0  # the day's own shift remains, however often it is measured
