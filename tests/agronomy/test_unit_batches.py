"""Batched products against a plain loop over fields."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from alerts.agronomy.unit_batches import FEW, UnitBatches, inverses


@given(st.lists(st.integers(0, 4), min_size=1, max_size=6), st.integers(0, 2**31))
def test_products_equal_a_loop_over_fields(sizes: list[int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    unit = np.repeat(np.arange(len(sizes)), sizes)
    left, right = rng.normal(size=(2, 3, unit.size)), rng.normal(size=(2, 4, unit.size))
    per_unit = rng.normal(size=(len(sizes), 3, 5))
    batches = UnitBatches.of(unit, len(sizes))
    summed, total = np.zeros((len(sizes), 3, 4)), np.zeros((2, 3, len(sizes)))
    times = np.empty((2, 5, unit.size))
    for field, of in enumerate(unit):
        summed[of] += left[:, :, field].T @ right[:, :, field]
        total[:, :, of] += left[:, :, field]
        times[:, :, field] = left[:, :, field] @ per_unit[of]
    np.testing.assert_allclose(batches.summed(left, right), summed, atol=1e-12)
    np.testing.assert_allclose(batches.total(left), total, atol=1e-12)
    np.testing.assert_allclose(batches.times(left, per_unit), times, atol=1e-12)


@given(st.integers(1, 3 * FEW), st.integers(1, 9), st.integers(0, 2**31))
def test_inverses_are_those_of_the_library(units: int, size: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(units, size, size + 2)) * 10.0 ** rng.uniform(-2, 2, (units, 1, 1))
    matrices = root @ root.transpose(0, 2, 1)
    expected = np.linalg.inv(matrices)
    scale = np.abs(expected).max(axis=(1, 2), keepdims=True)
    np.testing.assert_allclose(inverses(matrices) / scale, expected / scale, atol=1e-7)
