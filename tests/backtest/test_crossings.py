"""Days on which results are seen to cross a target.

Isotonic regression: Barlow, R.E., Bartholomew, D.J., Bremner, J.M., Brunk, H.D., 1972, Statistical
inference under order restrictions (pooling of neighbors, from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from alerts.backtest.crossings import seen_crossings
from alerts.backtest.seasons import Season
from alerts.domain.records import Index

MakeSeason = Callable[..., Season]
FIRST_DAY = 740_000  # as in conftest.py


def crossed(
    season: MakeSeason, pairs: list[tuple[int, float]], target: float, index: Index
) -> float:
    rows = [(0, day, value) for day, value in pairs]
    return float(seen_crossings(season(rows, index), index, target)[0]) - FIRST_DAY


def test_crossing_lies_on_the_line_between_two_results(season: MakeSeason) -> None:
    # from 200 on day 4 to 180 on day 8: 185 is met three quarters of the way
    pairs = [(0, 220.0), (4, 200.0), (8, 180.0), (11, 165.0)]
    assert crossed(season, pairs, 185.0, Index.RFV) == pytest.approx(7.0)
    assert crossed(season, pairs, 200.0, Index.RFV) == pytest.approx(4.0)
    rising = [(0, 34.0), (4, 36.0), (8, 40.0)]
    assert crossed(season, rising, 38.0, Index.NDF) == pytest.approx(6.0)


def test_results_around_the_target_are_pooled(season: MakeSeason) -> None:
    # 180 and 190 turn back and count as 185 each, which still meets the target of 184
    pairs = [(0, 200.0), (4, 180.0), (8, 190.0), (12, 170.0)]
    assert crossed(season, pairs, 184.0, Index.RFV) == pytest.approx(8 + 4 * 1 / 15)


def test_one_odd_late_result_does_not_put_the_crossing_off(season: MakeSeason) -> None:
    pairs = [(0, 205.0), (4, 190.0), (8, 175.0), (12, 150.0), (16, 190.0), (20, 140.0)]
    assert 4.0 < crossed(season, pairs, 185.0, Index.RFV) < 8.0


@pytest.mark.parametrize("values", [[180.0, 170.0], [220.0, 200.0], [180.0]])
def test_a_series_on_one_side_does_not_cross(season: MakeSeason, values: list[float]) -> None:
    pairs = [(4 * k, value) for k, value in enumerate(values)]
    assert np.isnan(crossed(season, pairs, 185.0, Index.RFV))


def test_results_without_the_index_are_passed_over(season: MakeSeason) -> None:
    pairs = [(0, 200.0), (2, np.nan), (4, 180.0)]
    assert crossed(season, pairs, 190.0, Index.RFV) == pytest.approx(2.0)
