"""How good the predictors' answers are: errors, and how often the range held what came."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Generic, TypeVar

import numpy as np

from alerts.agronomy.scale import Floats
from alerts.backtest.crossings import seen_crossings
from alerts.backtest.predictors import Predictor, predictors
from alerts.backtest.replay import OWN_DAYS, Ints, Moments, Predicted, next_results, replay
from alerts.backtest.seasons import Season
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

Target = tuple[Index, float]
MakePredictors = Callable[[Moments, Index, GuidelineSet], Mapping[str, Predictor]]
CrossingDays = Callable[[Season, Index, float], Floats]
Key = TypeVar("Key", bound=Hashable)


@dataclass(frozen=True, slots=True)
class Score:
    """Errors of a predictor [index units, or days for crossings].

    n : number of cases
    mae, rmse : mean absolute error, root of the mean squared error
    bias : mean of predicted minus observed
    coverage80 : share of the 80 % ranges that held the observed value [0 to 1]
    mean_width80 : mean width of these ranges
    """

    n: int
    mae: float
    rmse: float
    bias: float
    coverage80: float
    mean_width80: float

    @classmethod
    def of(cls, predicted: Predicted, observed: Floats) -> Score:
        """From at least one case."""
        error = predicted.mean - observed
        held = (predicted.low <= observed) & (observed <= predicted.high)
        return cls(
            n=observed.size,
            mae=float(np.mean(np.abs(error))),
            rmse=float(np.sqrt(np.mean(error**2))),
            bias=float(np.mean(error)),
            coverage80=float(np.mean(held)),
            mean_width80=float(np.mean(predicted.high - predicted.low)),
        )


@dataclass(frozen=True, slots=True)
class Scores:
    """Scores by predictor, on the same cases for all of them.

    predictions : of each field's next result, by index and predictor
    crossings : of the day on which a field meets a target, by target and predictor
    too_early : next results whose field had no results of two days yet, by index
    """

    predictions: Mapping[tuple[Index, str], Score]
    crossings: Mapping[tuple[Target, str], Score]
    too_early: Mapping[Index, int]


def score_seasons(
    seasons: Sequence[Season],
    guidelines: GuidelineSet,
    targets: Sequence[Target] = (),
    *,
    make: MakePredictors = predictors,
    crossing_days: CrossingDays = seen_crossings,
) -> Scores:
    """Replay the seasons and score every answer.

    Parameters
    ----------
    seasons : see ``alerts.backtest.seasons``
    guidelines : published numbers
    targets : indexes and levels whose crossing is to be predicted [index units]
    make : gives the predictors for some moments
    crossing_days : ordinal days on which the series of a season cross a target, NaN where they do
        not; what the results show, unless the truth is known

    Returns
    -------
    Scores
    """
    bench = _Bench(
        seasons,
        {target: [crossing_days(season, *target) for season in seasons] for target in targets},
    )
    for moments in replay(seasons):
        for index in Index:
            own_days = moments.own_days(index)
            if own_days.any():
                bench.ask(moments, index, own_days >= OWN_DAYS, make(moments, index, guidelines))
    return Scores(bench.predictions.scores(), bench.crossings.scores(), bench.too_early)


class _Tally(Generic[Key]):
    """Answers and truths, piece by piece."""

    def __init__(self) -> None:
        self._pieces: dict[Key, list[tuple[Predicted, Floats]]] = defaultdict(list)

    def add(self, key: Key, predicted: Predicted, observed: Floats) -> None:
        if observed.size:
            self._pieces[key].append((predicted, observed))

    def scores(self) -> dict[Key, Score]:
        return {key: self._score(pieces) for key, pieces in self._pieces.items()}

    @staticmethod
    def _score(pieces: list[tuple[Predicted, Floats]]) -> Score:
        predicted = Predicted(
            mean=np.concatenate([answer.mean for answer, _ in pieces]),
            low=np.concatenate([answer.low for answer, _ in pieces]),
            high=np.concatenate([answer.high for answer, _ in pieces]),
        )
        return Score.of(predicted, np.concatenate([observed for _, observed in pieces]))


@dataclass(frozen=True, slots=True)
class _Bench:
    """Puts the same questions to every predictor and keeps the answers."""

    seasons: Sequence[Season]
    crossed: Mapping[Target, Sequence[Floats]]
    predictions: _Tally[tuple[Index, str]] = field(default_factory=_Tally)
    crossings: _Tally[tuple[Target, str]] = field(default_factory=_Tally)
    too_early: dict[Index, int] = field(default_factory=lambda: dict.fromkeys(Index, 0))

    def ask(
        self,
        moments: Moments,
        index: Index,
        ready: np.ndarray[tuple[int], np.dtype[np.bool_]],
        made: Mapping[str, Predictor],
    ) -> None:
        asked = next_results(self.seasons, moments, index)
        in_time = ready[asked.field]
        self.too_early[index] += int(np.count_nonzero(~in_time))
        asked = asked[in_time]
        for name, predictor in made.items():
            self.predictions.add((index, name), predictor.results(asked), asked.observed)
        for target, days in self.crossed.items():
            if target[0] is index:
                who, ahead = self._before(moments, ready, days)
                for name, predictor in made.items():
                    answer = predictor.crossings(who, target[1])
                    self.crossings.add((target, name), answer, ahead)

    def _before(
        self,
        moments: Moments,
        ready: np.ndarray[tuple[int], np.dtype[np.bool_]],
        days: Sequence[Floats],
    ) -> tuple[Ints, Floats]:
        """Fields that will cross after their moment, and how many days after."""
        first = np.searchsorted(moments.stands.unit, np.arange(moments.units))
        ahead = np.full(moments.fields, np.nan)
        for start, place, today in zip(first, moments.season, moments.today, strict=True):
            crossing = days[place]
            ahead[start : start + crossing.size] = crossing - today
        who = np.flatnonzero(ready & (ahead > 0))
        return who, ahead[who]
