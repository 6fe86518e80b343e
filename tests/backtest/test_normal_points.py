"""Points that stand for a normal distribution, against its moments (any text on probability)."""

from __future__ import annotations

import numpy as np
import pytest

from alerts.backtest.normal_points import normal_points


@pytest.mark.parametrize("dimensions", [1, 3, 5])
def test_points_have_the_moments_of_independent_normal_numbers(dimensions: int) -> None:
    points = normal_points(dimensions)
    np.testing.assert_allclose(points.mean(axis=0), 0.0, atol=0.02)
    np.testing.assert_allclose(
        np.cov(points.T).reshape(dimensions, dimensions), np.eye(dimensions), atol=0.05
    )


def test_points_are_the_same_at_every_call() -> None:
    first = normal_points(5).copy()
    normal_points.cache_clear()
    np.testing.assert_array_equal(normal_points(5), first)
    assert not normal_points(5).flags.writeable
