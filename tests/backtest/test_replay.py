"""What was known at each moment, and that nothing later was."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from alerts.backtest import replay as replay_module
from alerts.backtest.predictors import predictors
from alerts.backtest.replay import next_results, replay
from alerts.backtest.seasons import Season
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

MakeSeason = Callable[..., Season]
FIRST_DAY = 740_000  # as in conftest.py

ROWS = [(0, 0, 30.0), (1, 0, 31.0), (0, 3, 32.0), (1, 7, 35.0), (0, 7, 34.0), (0, 10, 36.0)]


def test_a_moment_holds_the_results_up_to_its_day(season: MakeSeason) -> None:
    (moments,) = replay([season(ROWS)])
    np.testing.assert_array_equal(moments.today - FIRST_DAY, [0, 3, 7])
    unit = moments.stands.unit[moments.evidence.field]
    np.testing.assert_array_equal(np.bincount(unit), [2, 3, 5])
    assert (moments.evidence.day <= moments.today[unit]).all()
    np.testing.assert_array_equal(moments.evidence.clock[unit == 1], [-3, -3, 0])


def test_next_results_are_those_of_each_fields_next_day(season: MakeSeason) -> None:
    (moments,) = replay([season(ROWS)])
    asked = next_results([season(ROWS)], moments, Index.NDF)
    told = list(zip(asked.field.tolist(), asked.ahead, asked.observed, strict=True))
    # fields 0 and 1 at day 0, again at day 3, and field 0 at day 7, after which 1 has no more
    assert sorted(told) == [(0, 3, 32), (1, 7, 35), (2, 4, 34), (3, 4, 35), (4, 3, 36)]


def test_two_results_of_the_next_day_are_both_asked(season: MakeSeason) -> None:
    one = season([(0, 0, 30.0), (0, 4, 32.0), (0, 4, 33.0)])
    (moments,) = replay([one])
    asked = next_results([one], moments, Index.NDF)
    assert asked.observed.tolist() == [32.0, 33.0]


def test_own_days_count_days_and_not_results(season: MakeSeason) -> None:
    (moments,) = replay([season([(0, 0, 30.0), (0, 0, 31.0), (0, 4, 32.0), (0, 8, 33.0)])])
    assert moments.own_days(Index.NDF).tolist() == [1, 2]
    assert moments.own_days(Index.RFV).tolist() == [0, 0]


def test_what_comes_later_changes_no_answer(season: MakeSeason, guidelines: GuidelineSet) -> None:
    heat = [0.0, 0.0, 2.0, 6.0, 6.0, 10.0]
    known = season(ROWS, clock=heat)
    late = known.day > FIRST_DAY + 3
    other = replace(
        known,
        values={index: np.where(late, 70.0, v) for index, v in known.values.items()},
        clock=np.where(late, np.array(heat) * 3, heat),
    )
    answers = []
    for one in (known, other):
        (moments,) = replay([one])
        asked = next_results([known], moments, Index.NDF)
        early = asked[moments.stands.unit[asked.field] <= 1]
        made = predictors(moments, Index.NDF, guidelines)
        answers.append(made["ours"].results(early).mean)
    np.testing.assert_array_equal(*answers)


def test_a_clock_of_degree_days_goes_on_at_its_late_pace(season: MakeSeason) -> None:
    # 2 ordinary days a day over the last two weeks, held by 4 ordinary days: (28 + 4) / (14 + 4)
    rows = [(0, day, 30.0) for day in (0, 10, 17, 24, 30)]
    (moments,) = replay([season(rows, clock=[0.0, 5.0, 19.0, 33.0, 40.0])])
    assert moments.pace[3] == pytest.approx((28 + 4) / 18)
    assert moments.weather_known.all()
    (calendar,) = replay([season(rows)])
    np.testing.assert_array_equal(calendar.pace, 1.0)


def test_moments_taken_in_small_lots_give_the_same_answers(
    season: MakeSeason, guidelines: GuidelineSet, monkeypatch: pytest.MonkeyPatch
) -> None:
    seasons = [season(ROWS), season([(0, 0, 33.0), (0, 5, 36.0), (0, 9, 37.0)], area="Heron Bay")]
    whole = list(replay(seasons))
    monkeypatch.setattr(replay_module, "MOST_RESULTS", 2)
    lots = list(replay(seasons))
    assert len(lots) > len(whole) == 1

    def means(parts: list[replay_module.Moments]) -> list[float]:
        return [
            float(value)
            for moments in parts
            for value in predictors(moments, Index.NDF, guidelines)["ours"]
            .results(next_results(seasons, moments, Index.NDF))
            .mean
        ]

    np.testing.assert_allclose(means(lots), means(whole), rtol=1e-10)
