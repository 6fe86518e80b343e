"""Rule of thumb and straight line against pencil work and a statistics library.

Prediction interval of a least-squares line: statsmodels' ordinary least squares (Seabold, S.,
Perktold, J., 2010, Statsmodels: econometric and statistical modeling with Python).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import statsmodels.api as sm

from alerts.backtest.baselines import Line, Published, Rule, own_results
from alerts.backtest.replay import Asked, Moments, replay
from alerts.backtest.seasons import Season
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

MakeSeason = Callable[..., Season]

Z80 = 1.2815515655446004


def last_moment(season: Season) -> Moments:
    """The moment of the last day but one."""
    *_, moments = replay([season])
    return moments


def both(season: Season, index: Index, guidelines: GuidelineSet) -> tuple[Rule, Line, np.ndarray]:
    moments = last_moment(season)
    own, published = own_results(moments, index), Published.of(moments, index, guidelines)
    newest = np.flatnonzero(moments.stands.unit == moments.units - 1)
    return Rule(own, published), Line(own, published), newest


def asked(who: np.ndarray, ahead: float) -> Asked:
    n = who.size
    return Asked(who, np.full(n, ahead), np.ones(n, dtype=np.intp), np.zeros(n))


def test_rule_takes_the_last_result_and_four_points_a_day(
    season: MakeSeason, guidelines: GuidelineSet
) -> None:
    # common practice: RFV 205 three days ago, 4 points a day, 5 days on: 205 - 8 * 4 = 173
    rows = [(0, 0, 220.0), (0, 4, 205.0), (1, 7, 200.0), (0, 12, 170.0)]
    rule, _, who = both(season(rows, Index.RFV), Index.RFV, guidelines)
    answer = rule.results(asked(who[:1], 5.0))
    assert answer.mean[0] == pytest.approx(173.0)
    error = 9.5 * (205 / 185) ** 1.5
    half = Z80 * np.sqrt(2 * error**2 + (1.0 * 8) ** 2)
    np.testing.assert_allclose([answer.low[0], answer.high[0]], [173 - half, 173 + half])


def test_rule_says_when_the_target_is_met(season: MakeSeason, guidelines: GuidelineSet) -> None:
    # common practice: from 205 to 185 at 4 points a day takes 5 days, 3 of which are gone
    rows = [(0, 0, 220.0), (0, 4, 205.0), (1, 7, 200.0), (0, 12, 170.0)]
    rule, _, who = both(season(rows, Index.RFV), Index.RFV, guidelines)
    assert rule.crossings(who[:1], 185.0).mean[0] == pytest.approx(2.0)


def test_rule_climbs_in_ndf_and_slower_in_later_cuttings(
    season: MakeSeason, guidelines: GuidelineSet
) -> None:
    rows = [(0, 0, 34.0), (0, 4, 36.0), (0, 8, 38.0)]
    changes = []
    for cutting in (1, 2, 3):
        rule, _, who = both(season(rows, cutting=cutting), Index.NDF, guidelines)
        changes.append(float(rule.results(asked(who, 10.0)).mean[0] - 36.0) / 10)
    np.testing.assert_allclose(changes, [0.55, 0.39, 0.25])


@pytest.mark.parametrize("noise", [3.0, 8.0])
def test_line_equals_ordinary_least_squares(
    season: MakeSeason, guidelines: GuidelineSet, noise: float
) -> None:
    # Residuals larger than a result's published error of 1.8, so that the floor plays no part.
    rng = np.random.default_rng(3)
    day = np.array([0, 3, 7, 10, 14])
    value = 34 + 0.55 * day + rng.normal(0, noise, day.size)
    rows = [(0, int(d), float(v)) for d, v in zip(day, value, strict=True)] + [(0, 30, 50.0)]
    _, line, who = both(season(rows), Index.NDF, guidelines)
    answer = line.results(asked(who, 6.0))
    expected = sm.OLS(value, sm.add_constant(day.astype(float))).fit()
    assert np.sqrt(expected.scale) > 1.8
    frame = expected.get_prediction([[1.0, 20.0]]).summary_frame(alpha=0.2)
    assert answer.mean[0] == pytest.approx(frame["mean"][0])
    assert answer.low[0] == pytest.approx(frame["obs_ci_lower"][0])
    assert answer.high[0] == pytest.approx(frame["obs_ci_upper"][0])


def test_line_through_two_results_has_their_published_error(
    season: MakeSeason, guidelines: GuidelineSet
) -> None:
    rows = [(0, 0, 34.0), (0, 4, 36.0), (0, 8, 38.0)]
    _, line, who = both(season(rows), Index.NDF, guidelines)
    answer = line.results(asked(who, 4.0))
    assert answer.mean[0] == pytest.approx(38.0)
    # 1 + 1/2 + 6**2 / (2 * 2**2) of the variance of a result
    half = Z80 * 1.8 * np.sqrt(1 + 0.5 + 36 / 8)
    assert answer.high[0] - answer.mean[0] == pytest.approx(half)
    assert line.crossings(who, 40.0).mean[0] == pytest.approx(8.0)


def test_a_line_that_leads_away_leaves_the_word_to_the_rule(
    season: MakeSeason, guidelines: GuidelineSet
) -> None:
    rows = [(0, 0, 36.0), (0, 4, 35.0), (0, 8, 38.0)]
    rule, line, who = both(season(rows), Index.NDF, guidelines)
    assert line.crossings(who, 40.0).mean[0] == rule.crossings(who, 40.0).mean[0]


def test_a_far_crossing_is_given_as_far_as_the_outlook_looks(
    season: MakeSeason, guidelines: GuidelineSet
) -> None:
    rows = [(0, 0, 34.0), (0, 4, 34.01), (0, 8, 38.0)]
    _, line, who = both(season(rows), Index.NDF, guidelines)
    assert line.crossings(who, 45.0).mean[0] == 75.0
