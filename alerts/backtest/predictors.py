"""The predictors under test: the area model and the two that it has to beat."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from alerts.backtest.baselines import Line, Published, Rule, own_results
from alerts.backtest.curves import our_curves
from alerts.backtest.replay import Asked, Ints, Moments, Predicted
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

OURS, RULE, LINE = "ours", "rule", "line"


class Predictor(Protocol):
    """Answers for all fields of some moments in one index."""

    def results(self, asked: Asked) -> Predicted:
        """Mean and 80 % range of the results asked for [index units]."""
        ...

    def crossings(self, who: Ints, target: float) -> Predicted:
        """Days from the moment until each field of ``who`` meets the target [d]."""
        ...


def predictors(moments: Moments, index: Index, guidelines: GuidelineSet) -> Mapping[str, Predictor]:
    """*ours*: the area model; *rule* and *line*: see ``alerts.backtest.baselines``."""
    own, published = own_results(moments, index), Published.of(moments, index, guidelines)
    return {
        OURS: our_curves(moments, index, guidelines),
        RULE: Rule(own, published),
        LINE: Line(own, published),
    }
