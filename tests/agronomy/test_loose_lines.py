"""Loose lines on a loose clock, against plain draws of level, rate and weather."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from alerts.agronomy.loose_lines import LineCov, Lines, Standing, mean_of
from alerts.agronomy.scale import Floats

DRAWS = 400_000


def lines(fields: int, seed: int) -> tuple[Lines, LineCov, Floats]:
    """Lines of a farm's fields, and their covariance ordered level, level, ..., rate, rate, ..."""
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(2 * fields, 2 * fields + 2))
    scale = np.append(np.full(fields, 1.0), np.full(fields, 0.06))
    cov = (root @ root.T) / (2 * fields) * np.outer(scale, scale)
    level, rate = rng.normal(37.0, 1.0, fields), rng.uniform(0.45, 0.7, fields)
    each = np.arange(fields)
    parts = (
        level,
        rate,
        np.diag(cov)[:fields],
        cov[each, fields + each],
        np.diag(cov)[fields:],
    )
    blocks = cov[:fields, :fields], cov[:fields, fields:], cov[fields:, fields:]
    return (
        Lines(*(part[:, None] for part in parts)),
        LineCov(*(block[..., None] for block in blocks)),
        cov,
    )


def drawn(known: Lines, cov: Floats, since: Floats, off: Floats, seed: int) -> Floats:
    """Values of the fields, shape (draws, fields)."""
    rng = np.random.default_rng(seed)
    fields = known.level.shape[0]
    line = rng.multivariate_normal(np.append(known.level, known.rate), cov, DRAWS)
    weather = rng.normal(size=(DRAWS, 1))
    return np.asarray(line[:, :fields] + line[:, fields:] * (since + off * weather))


@pytest.mark.parametrize("seed", range(4))
def test_standing_quality_is_that_of_the_draws(seed: int) -> None:
    known, _, cov = lines(3, seed)
    since, off = np.array([-4.0, 8.0, 25.0]), np.array([0.0, 1.5, 3.5])
    standing = known.standing(since[:, None, None], off[:, None, None])
    values = drawn(known, cov, since, off, seed)
    mean, sd, lean = (part[:, 0, 0] for part in (standing.mean, standing.sd, standing.lean))
    np.testing.assert_allclose(mean, values.mean(axis=0), atol=0.02)
    np.testing.assert_allclose(sd, values.std(axis=0), rtol=0.01)
    skew = (((values - values.mean(axis=0)) / values.std(axis=0)) ** 3).mean(axis=0)
    np.testing.assert_allclose(6.0 * lean, skew, atol=0.03)
    np.testing.assert_allclose(
        standing.middle[:, 0, 0], np.median(values, axis=0), atol=0.01 * sd.max()
    )
    for chance in (0.02, 0.1, 0.5, 0.9, 0.98):
        value = np.quantile(values, chance, axis=0)
        away = standing.away(value[:, None, None])[:, 0, 0]
        np.testing.assert_allclose(ndtr(away), chance, atol=0.006)


def test_without_leaning_a_value_lies_as_far_as_it_does() -> None:
    standing = Standing.of(np.array([3.0]), np.array([4.0]), np.array([0.0]))
    np.testing.assert_allclose(standing.away(np.array([-1.0])), -2.0)
    np.testing.assert_allclose(standing.middle, 3.0)


@pytest.mark.parametrize("lean", [-0.06, 0.06, -5.0, 5.0])
def test_leaning_leaves_the_order(lean: float) -> None:
    value = np.linspace(-30.0, 30.0, 2_001)
    standing = Standing.of(np.zeros(1), np.ones(1), np.array([lean]))
    away = standing.away(value)
    assert np.isfinite(away).all()
    assert (np.diff(away) > 0.0).all()
    assert standing.away(standing.middle) == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("seed", range(3))
def test_mean_of_fields_is_that_of_the_draws(seed: int) -> None:
    known, cov, whole = lines(4, seed)
    since, off = np.array([2.0, 5.0, 9.0, 14.0]), np.array([0.5, 1.0, 1.6, 2.2])
    share = np.array([0.1, 0.2, 0.3, 0.4])
    standing = mean_of(
        share[:, None], known.level, known.rate, cov, since[:, None, None], off[:, None, None]
    )
    values = drawn(known, whole, since, off, seed) @ share
    assert standing.mean[0, 0] == pytest.approx(values.mean(), abs=0.02)
    assert standing.sd[0, 0] == pytest.approx(values.std(), rel=0.01)
    skew = (((values - values.mean()) / values.std()) ** 3).mean()
    assert 6.0 * standing.lean[0, 0] == pytest.approx(skew, abs=0.03)


@pytest.mark.parametrize("seed", range(3))
def test_correlation_is_that_of_the_draws(seed: int) -> None:
    known, cov, whole = lines(4, seed)
    since, off = np.array([2.0, 5.0, 9.0, 14.0]), np.array([0.5, 1.0, 1.6, 2.2])
    found = cov.correlation(known.rate, since[:, None, None], off[:, None, None])[:, :, 0, 0]
    np.testing.assert_allclose(
        found, np.corrcoef(drawn(known, whole, since, off, seed).T), atol=0.01
    )


def test_line_meets_a_value_where_its_standing_quality_says() -> None:
    known, _, _ = lines(5, 2)
    walk, target = np.full((5, 1), 0.5), np.full((5, 1), 42.0)
    for away in (1.28, -1.28):
        since = known.meeting(target, away, np.zeros((5, 1)), walk)
        assert (since > 0.0).all()
        standing = known.standing(since[..., None], 0.5 * np.sqrt(since)[..., None])
        far = (target[..., None] - standing.mean) / standing.sd
        np.testing.assert_allclose(far, away, atol=1e-9)


def test_line_that_may_stand_still_never_surely_meets_a_value() -> None:
    one = np.ones((1, 1))
    loose = Lines(38.0 * one, 0.1 * one, one, 0.0 * one, 0.04 * one)
    assert loose.meeting(42.0 * one, -1.28, 0.0 * one, 0.0 * one)[0, 0] == np.inf
