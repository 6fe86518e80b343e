"""What the area model answers, against the model's own definition and a simulation of it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from alerts.agronomy.scale import from_scale
from alerts.backtest.curves import Curves, our_curves
from alerts.backtest.replay import Asked, replay
from alerts.backtest.seasons import Season
from alerts.domain.area_fit import stray_sd
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

MakeSeason = Callable[..., Season]


def curves(season: MakeSeason, guidelines: GuidelineSet, index: Index) -> tuple[Curves, int]:
    """Curves of a field with three results, and the number of that field at its last moment."""
    values = [34.0, 35.5, 38.0] if index is Index.NDF else [215.0, 206.0, 188.0]
    rows = [(0, day, value) for day, value in zip((0, 4, 7), values, strict=True)]
    (moments,) = replay([season([*rows, (0, 12, values[-1])], index)])
    return our_curves(moments, index, guidelines), 2


@pytest.mark.parametrize("index", [Index.NDF, Index.RFV])
def test_mean_and_range_of_a_result_equal_those_of_drawn_results(
    season: MakeSeason, guidelines: GuidelineSet, index: Index
) -> None:
    model, who = curves(season, guidelines, index)
    asked = Asked(np.array([who]), np.array([6.0]), np.array([1]), np.zeros(1))
    answer = model.results(asked)
    rng = np.random.default_rng(1)
    n = 200_000
    level, share = rng.multivariate_normal(
        model.posterior.mean[who], model.posterior.cov()[who], n
    ).T
    rate = model.posterior.fields.rate[who]
    clock = 6.0 + rng.normal(0, float(stray_sd(6.0, guidelines)), n)
    x = model.posterior.fields.level[who] + level + rate * (6.0 * (1 + share) + (clock - 6.0))
    x += rng.normal(0, model.visit_sd[who], n) + rng.normal(0, model.result_sd[who, 1], n)
    drawn = from_scale(x, falls=index.falls)
    scale = drawn.std()
    assert answer.mean[0] == pytest.approx(drawn.mean(), abs=0.01 * scale)
    low, high = np.quantile(drawn, [0.1, 0.9])
    np.testing.assert_allclose([answer.low[0], answer.high[0]], [low, high], atol=0.02 * scale)


def test_crossing_range_holds_its_median_and_grows_with_the_distance(
    season: MakeSeason, guidelines: GuidelineSet
) -> None:
    model, who = curves(season, guidelines, Index.NDF)
    near, far = (model.crossings(np.array([who]), target) for target in (40.0, 46.0))
    assert near.low[0] < near.mean[0] < near.high[0]
    assert far.high[0] - far.low[0] > near.high[0] - near.low[0]
    assert 8.0 < far.mean[0] - near.mean[0] < 14.0  # 6 units at about 0.55 a day


def test_no_field_asked_gives_no_answer(season: MakeSeason, guidelines: GuidelineSet) -> None:
    model, _ = curves(season, guidelines, Index.NDF)
    assert model.crossings(np.zeros(0, dtype=np.intp), 40.0).mean.size == 0
