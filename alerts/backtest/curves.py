"""Answers of the area model: what a field's curve says of its next result and of its crossing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.special import ndtri

from alerts.agronomy.area_parts import LEVEL, RATE, AreaPosterior
from alerts.agronomy.scale import Floats, from_scale, to_scale
from alerts.agronomy.start_dates import SLOWEST_SHARE
from alerts.backtest.normal_points import normal_points
from alerts.backtest.replay import Asked, Ints, Moments, Predicted
from alerts.domain.area_fit import RESULT_KINDS, fit_area, stray_sd
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

TAIL = 0.1
"""Chance left out at either end of an 80 % range."""

Z80 = float(ndtri(1.0 - TAIL))

BEFORE_DAYS, AFTER_DAYS = 45.0, 75.0
"""A crossing further from its moment than the outlook looks is given as this far."""

NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
"""Points by which the mean of an index is found from the normal distribution on its scale."""

CASES_AT_ONCE = 2_000


@dataclass(frozen=True, slots=True)
class Scale:
    """Ways from index values to the scale a model works on, and back."""

    to: Callable[[Floats], Floats]
    back: Callable[[Floats], Floats]


def straight_scale(index: Index) -> Scale:
    """The scale of ``alerts.agronomy.scale``."""
    return Scale(partial(to_scale, falls=index.falls), partial(from_scale, falls=index.falls))


@dataclass(frozen=True, slots=True)
class Curves:
    """What a model makes of the moments.

    posterior : of all fields
    scale : what its numbers are on
    guidelines : say how a clock strays that does not know the weather to come
    weather : factor of that straying, shape (fields,)
    pace : ordinary days to expect from a day, shape (fields,)
    visit_sd : [scale units], shape (fields,)
    result_sd : by kind of result [scale units], shape (fields, kinds)
    """

    posterior: AreaPosterior
    scale: Scale
    guidelines: GuidelineSet
    weather: Floats
    pace: Floats
    visit_sd: Floats
    result_sd: Floats

    def results(self, asked: Asked) -> Predicted:
        """Results: the line, the weather to come, the day's shift and the result's own error."""
        who = asked.field
        since = np.zeros(self.pace.size)
        since[who] = asked.ahead * self.pace[who]
        mean, var = (part[who] for part in self.posterior.line(since))
        strayed = self.weather[who] * stray_sd(asked.ahead, self.guidelines) * self.pace[who]
        var = var + (self.posterior.fields.rate[who] * strayed) ** 2
        var = var + self.visit_sd[who] ** 2 + self.result_sd[who, asked.kind] ** 2
        sd = np.sqrt(var)
        ends = [self.scale.back(mean + z * sd) for z in (-Z80, Z80)]
        nodes = self.scale.back(mean[:, None] + NODES * sd[:, None])
        expected = nodes @ NODE_WEIGHTS / NODE_WEIGHTS.sum()
        return Predicted(expected, np.minimum(*ends), np.maximum(*ends))

    def crossings(self, who: Ints, target: float) -> Predicted:
        """Days from the moment until the line of each field of ``who`` meets the target."""
        parts = [
            self._crossings(who[at : at + CASES_AT_ONCE], target)
            for at in range(0, who.size, CASES_AT_ONCE)
        ]
        low, median, high = np.concatenate(parts, axis=1) if parts else np.zeros((3, 0))
        return Predicted(median, low, high)

    def _crossings(self, who: Ints, target: float) -> Floats:
        goal = float(self.scale.to(np.array(target)))
        fields, mean = self.posterior.fields, self.posterior.mean[who]
        root = np.linalg.cholesky(self.posterior.cov()[who])
        weather, one, other = normal_points(3).T[:, :, None]
        level = fields.level[who] + mean[:, LEVEL] + root[:, 0, 0] * one
        share = mean[:, RATE] + root[:, 1, 0] * one + root[:, 1, 1] * other
        rate = fields.rate[who] * np.maximum(1.0 + share, SLOWEST_SHARE)
        needed = (goal - level) / (rate * self.pace[who])
        coming = np.clip(needed, 0.0, AFTER_DAYS)
        strayed = self.weather[who] * stray_sd(coming, self.guidelines)
        day = np.clip(needed - strayed * weather, -BEFORE_DAYS, AFTER_DAYS)
        quantiles: Floats = np.quantile(day, [TAIL, 0.5, 1.0 - TAIL], axis=0)
        return quantiles


def our_curves(moments: Moments, index: Index, guidelines: GuidelineSet) -> Curves:
    """The curves the service itself would see, from the same fit."""
    fit = fit_area(
        moments.stands,
        moments.evidence,
        index,
        guidelines,
        origin=0.0,
        units=moments.units,
        weather_known=moments.weather_known,
    )
    return Curves(
        posterior=fit.posterior,
        scale=straight_scale(index),
        guidelines=guidelines,
        weather=np.ones(moments.fields),
        pace=moments.pace[moments.stands.unit],
        visit_sd=np.full(moments.fields, fit.visit_sd),
        result_sd=np.broadcast_to(fit.result_sd, (moments.fields, len(RESULT_KINDS))),
    )
