"""The greatest of several normal variables, against scipy and published moments."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtr
from scipy.stats import multivariate_normal

from alerts.agronomy.greatest import (
    FAR,
    LARGEST_LOADING,
    chance_all_below,
    normal_chance,
    normal_quantile,
    shared_loadings,
    usual_greatest,
)
from alerts.agronomy.scale import Floats


def one_factor(loading: Floats) -> Floats:
    correlation = np.outer(loading, loading)
    np.fill_diagonal(correlation, 1.0)
    return correlation


def below(bound: Floats, correlation: Floats) -> float:
    """Genz, A., 1992, Numerical computation of multivariate normal probabilities (in scipy)."""
    of = multivariate_normal(cov=correlation, allow_singular=True, abseps=1e-6, seed=1)
    return float(of.cdf(bound))


def test_chance_of_one_variable_is_nearly_the_exact_one() -> None:
    away = np.linspace(-9.0, 9.0, 20_001)
    chance = normal_chance(away.copy())
    np.testing.assert_allclose(chance, ndtr(away), atol=2e-5)
    assert (np.diff(chance) >= 0.0).all()
    inside = np.abs(away) < FAR
    assert (chance[inside] > 0.0).all()
    assert (chance[inside] <= 1.0).all()


@given(st.floats(1e-6, 1 - 1e-6))
def test_quantile_is_the_inverse_of_the_chance(chance: float) -> None:
    assert ndtr(normal_quantile(np.array(chance))) == pytest.approx(chance, rel=1e-9)


def test_quantiles_of_the_impossible_and_the_certain_are_finite() -> None:
    low, high = normal_quantile(np.array([0.0, 1.0]))
    assert np.isfinite([low, high]).all()
    assert low == pytest.approx(-high, abs=0.02)
    assert low < -7.0


@pytest.mark.parametrize("count", [2, 3, 5, 8])
@pytest.mark.parametrize("shared", [0.0, 0.4, 0.8, 0.93])
def test_chance_that_all_stay_below_equals_the_library_s(count: int, shared: float) -> None:
    rng = np.random.default_rng(count)
    bound = rng.normal(0.6, 1.0, (count, 12))
    loading = np.clip(rng.normal(shared, 0.02, (count, 12)), 0.0, LARGEST_LOADING)
    chance = chance_all_below(bound, loading)
    for case in range(12):
        expected = below(bound[:, case], one_factor(loading[:, case]))
        assert chance[case] == pytest.approx(expected, abs=1.5e-3)


def test_each_case_is_for_itself() -> None:
    rng = np.random.default_rng(2)
    bound, loading = rng.normal(0.5, 1.0, (4, 5_000)), rng.uniform(0.5, 0.95, (4, 5_000))
    follows = rng.random((4, 5_000)) < 0.3
    follows[:2] = False
    for given_ in (None, follows):
        together = chance_all_below(bound, loading, given_)
        some = slice(1_200, 1_207)
        mine = None if given_ is None else given_[:, some]
        alone = chance_all_below(bound[:, some], loading[:, some], mine)
        np.testing.assert_allclose(together[some], alone, atol=1e-12)


@pytest.mark.parametrize("leaders", [2, 3, 5])
@pytest.mark.parametrize(("shared", "most"), [(0.3, 0.008), (0.8, 0.004)])
def test_mean_of_others_is_counted_with_them(leaders: int, shared: float, most: float) -> None:
    # a plain draw of variables, and of their mean with a bound of its own; given that the others
    # stay below, the mean is not quite normal, the less so the more is each one's own
    rng = np.random.default_rng(leaders)
    loading = np.full(leaders, shared)
    own = np.sqrt(1.0 - shared**2)
    drawn = shared * rng.normal(size=(400_000, 1)) + own * rng.normal(size=(400_000, leaders))
    mean = drawn.mean(axis=1) / drawn.mean(axis=1).std()
    for seed in range(6):
        bound = np.random.default_rng(seed).normal(0.5, 0.7, leaders + 2)
        mine = (drawn < bound[:leaders]).all(axis=1)
        expected = (mine & (mean < bound[leaders:].min())).mean()
        follows = np.arange(leaders + 2) >= leaders
        chance = chance_all_below(
            bound[:, None], np.append(loading, [0.0, 0.0])[:, None], follows[:, None]
        )
        assert chance[0] == pytest.approx(expected, abs=most)


@given(st.integers(0, 2**31), st.integers(2, 8))
def test_loadings_of_variables_that_share_one_thing_are_found(seed: int, count: int) -> None:
    loading = np.random.default_rng(seed).uniform(0.3, 0.9, count)
    found = shared_loadings(one_factor(loading)[:, :, None])[:, 0]
    left = one_factor(loading) - one_factor(found)
    assert np.abs(left).max() < 0.025
    if count == 2:
        assert np.abs(left).max() < 1e-9


def test_variables_that_take_no_part_share_nothing() -> None:
    correlation = one_factor(np.array([0.8, 0.7, 0.6, 0.5]))
    correlation[3] = correlation[:, 3] = 0.0
    found = shared_loadings(correlation[:, :, None])[:, 0]
    without = shared_loadings(correlation[:3, :3, None])[:, 0]
    assert found[3] == 0.0
    np.testing.assert_allclose(found[:3], without, atol=1e-12)


def test_greatest_of_two_has_the_exact_moments() -> None:
    # Clark, C.E., 1961: of two standard normal variables with correlation r the mean is
    # sqrt((1 - r) / pi), the mean square 1
    shared = np.array([0.0, 0.5, 0.9])
    mean, sd = usual_greatest(np.zeros((2, 3)), np.ones((2, 3)), np.stack([shared, shared]))
    expected = np.sqrt((1.0 - shared**2) / np.pi)
    np.testing.assert_allclose(mean, expected, atol=1e-4)
    np.testing.assert_allclose(sd, np.sqrt(1.0 - expected**2), atol=1e-4)


def test_greatest_of_independent_ones_is_near_the_tables() -> None:
    # expected value and standard deviation of the largest of n standard normal numbers: Harter,
    # H.L., 1961, Expected values of normal order statistics (from memory)
    for count, mean, sd in ((3, 0.8463, 0.7480), (5, 1.1630, 0.6690), (8, 1.4236, 0.6107)):
        found = usual_greatest(np.zeros((count, 1)), np.ones((count, 1)), np.zeros((count, 1)))
        assert found[0][0] == pytest.approx(mean, abs=0.02)
        assert found[1][0] == pytest.approx(sd, abs=0.035)
