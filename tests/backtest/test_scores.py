"""Scores by hand."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from alerts.backtest.replay import Predicted
from alerts.backtest.scores import Score, score_seasons
from alerts.backtest.seasons import Season
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

MakeSeason = Callable[..., Season]
FIRST_DAY = 740_000  # as in conftest.py


def test_score_of_four_answers_by_hand() -> None:
    predicted = Predicted(
        mean=np.array([10.0, 12.0, 14.0, 20.0]),
        low=np.array([8.0, 11.0, 10.0, 10.0]),
        high=np.array([12.0, 13.0, 18.0, 30.0]),
    )
    score = Score.of(predicted, np.array([11.0, 12.0, 18.0, 31.0]))
    # errors -1, 0, -4, -11; the third observed value lies on the edge of its range
    assert score == Score(
        n=4,
        mae=4.0,
        rmse=pytest.approx(np.sqrt(138 / 4)),
        bias=-4.0,
        coverage80=0.75,
        mean_width80=pytest.approx((4 + 2 + 8 + 20) / 4),
    )


def test_all_predictors_are_scored_on_the_same_cases(
    season: MakeSeason, guidelines: GuidelineSet
) -> None:
    rows = [(f, d, 33.0 + 0.55 * d + f) for f in (0, 1) for d in (0, 3, 7, 10, 14)]
    scores = score_seasons([season(rows)], guidelines, ((Index.NDF, 38.0),))
    assert {name for _, name in scores.predictions} == {"ours", "rule", "line"}
    # from two own days on, each of two fields has three more results
    assert {score.n for score in scores.predictions.values()} == {6}
    assert scores.too_early == {Index.NDF: 2, Index.RFV: 0, Index.RFQ: 0}
    # field 0 crosses on day 9.1, field 1 on 7.3: days 3 and 7 lie before either
    assert {score.n for score in scores.crossings.values()} == {4}
    line = scores.predictions[Index.NDF, "line"]
    assert line.mae == pytest.approx(0.0, abs=1e-9)
    assert scores.crossings[(Index.NDF, 38.0), "line"].mae == pytest.approx(0.0, abs=1e-9)


def test_a_crossing_told_as_truth_takes_the_place_of_the_seen_one(
    season: MakeSeason, guidelines: GuidelineSet
) -> None:
    rows = [(0, d, 33.0 + 0.55 * d) for d in (0, 3, 7, 10)]
    scores = score_seasons(
        [season(rows)],
        guidelines,
        ((Index.NDF, 38.0),),
        crossing_days=lambda *_: np.array([FIRST_DAY + 5.0]),
    )
    line = scores.crossings[(Index.NDF, 38.0), "line"]
    assert (line.n, line.bias) == (1, pytest.approx((38 - 33) / 0.55 - 5.0))


def test_indexes_and_targets_nobody_measured_are_left_out(
    season: MakeSeason, guidelines: GuidelineSet
) -> None:
    rows = [(0, d, 33.0 + 0.55 * d) for d in (0, 3, 7, 10)]
    scores = score_seasons([season(rows)], guidelines, ((Index.RFV, 185.0), (Index.NDF, 60.0)))
    assert {index for index, _ in scores.predictions} == {Index.NDF}
    assert scores.crossings == {}


def test_results_in_another_index_help_but_make_no_case(
    season: MakeSeason, guidelines: GuidelineSet
) -> None:
    rows = [(0, d, 33.0 + 0.55 * d) for d in (0, 3, 7, 10)]
    rfv = {Index.RFV: [np.nan, 195.0, 180.0, np.nan]}
    scores = score_seasons([season(rows, others=rfv)], guidelines)
    assert scores.predictions[Index.NDF, "ours"].n == 2
    assert (Index.RFV, "ours") not in scores.predictions
