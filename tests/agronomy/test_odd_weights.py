"""Weights of odd things, from the two normal densities they are defined by (no outside source)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from alerts.agronomy.odd_weights import (
    LEAST_WEIGHT,
    ODD_FACTOR,
    ODD_SHARE,
    log_normal,
    odd_weight,
)


def weight_at(distance: float) -> float:
    off = np.array([distance])
    return float(odd_weight(log_normal(off, 1.0), log_normal(off, ODD_FACTOR**2))[0])


@pytest.mark.parametrize("distance", [2.5, 3.0, 4.0])
def test_weight_is_the_precision_kept_on_average(distance: float) -> None:
    sound = (1 - ODD_SHARE) * norm.pdf(distance)
    odd = ODD_SHARE * norm.pdf(distance, scale=ODD_FACTOR)
    chance = sound / (sound + odd)
    neutral = 1 - ODD_SHARE + ODD_SHARE * LEAST_WEIGHT
    expected = (chance + (1 - chance) * LEAST_WEIGHT) / neutral
    assert weight_at(distance) == pytest.approx(expected)


@given(st.floats(0, 1e6), st.floats(0, 1e6))
def test_further_off_never_counts_more(one: float, other: float) -> None:
    near, far = sorted((one, other))
    assert LEAST_WEIGHT * (1 - 1e-12) <= weight_at(far) <= weight_at(near) <= 1.0


def test_nothing_is_ever_dropped() -> None:
    assert weight_at(1e9) > 0.03


def test_what_nothing_contradicts_counts_in_full() -> None:
    same = log_normal(np.array([0.3]), 1e9)
    assert odd_weight(same, same)[0] == pytest.approx(1.0)
    assert weight_at(1.0) == 1.0
