"""Batched products against a plain loop over fields."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from alerts.agronomy.unit_batches import UnitBatches


@given(st.lists(st.integers(0, 4), min_size=1, max_size=6), st.integers(0, 2**31))
def test_products_equal_a_loop_over_fields(sizes: list[int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    unit = np.repeat(np.arange(len(sizes)), sizes)
    left, right = rng.normal(size=(unit.size, 2, 3)), rng.normal(size=(unit.size, 2, 4))
    per_unit = rng.normal(size=(len(sizes), 3, 5))
    batches = UnitBatches.of(unit, len(sizes))
    summed, total = np.zeros((len(sizes), 3, 4)), np.zeros((len(sizes), 2, 3))
    for field, of in enumerate(unit):
        summed[of] += left[field].T @ right[field]
        total[of] += left[field]
    np.testing.assert_allclose(batches.summed(left, right), summed, atol=1e-12)
    np.testing.assert_allclose(batches.total(left), total, atol=1e-12)
    times = batches.times(left, per_unit)
    np.testing.assert_allclose(times, left @ per_unit[unit], atol=1e-12)
