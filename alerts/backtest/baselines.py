"""What a grower can do with a pencil, on the index itself.

*rule*, the rule of thumb: the last own result and the published daily change. *line*: the
least-squares straight line through the field's own results.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from alerts.agronomy.scale import Floats
from alerts.backtest.curves import AFTER_DAYS, BEFORE_DAYS, TAIL, Z80
from alerts.backtest.replay import Asked, Ints, Moments, Predicted
from alerts.domain.area_fit import GRASS_PCT
from alerts.domain.guidelines import CUTTINGS, STANDS, GuidelineSet
from alerts.domain.records import Index

LINE_UNKNOWNS = 2.0


@dataclass(frozen=True, slots=True)
class OwnResults:
    """Each field's own results at its moment, in one index; arrays of shape (fields,).

    count : number of results
    last, last_ago : mean of the newest day's results, and their age [index units], [d]
    middle, value : mean day, counted from the moment, and mean value [d], [index units]
    slope : of the least-squares line [index units a day]; NaN from results of one day
    spread : sum of squared distances of the days from their mean [d2]
    rest : sum of squared residuals of the line
    """

    count: Floats
    last: Floats
    last_ago: Floats
    middle: Floats
    value: Floats
    slope: Floats
    spread: Floats
    rest: Floats


def own_results(moments: Moments, index: Index) -> OwnResults:
    values = moments.values(index)
    given = ~np.isnan(values)
    field, value = moments.evidence.field[given], values[given]
    day = (moments.evidence.day[given] - moments.today_of(field)).astype(np.float64)

    def total(what: Floats) -> Floats:
        return np.bincount(field, weights=what, minlength=moments.fields).astype(np.float64)

    newest = np.full(moments.fields, -np.inf)
    np.maximum.at(newest, field, day)
    is_last = (day == newest[field]).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        count = total(np.ones_like(day))
        middle, mean = total(day) / count, total(value) / count
        away, over = day - middle[field], value - mean[field]
        spread = total(away**2)
        slope = total(away * over) / spread
        rest = total((over - slope[field] * away) ** 2)
        last = total(is_last * value) / total(is_last)
    return OwnResults(count, last, -newest, middle, mean, slope, spread, rest)


@dataclass(frozen=True, slots=True)
class Published:
    """Published numbers in the index itself, arrays of shape (fields,).

    change : daily change, below 0 where the index falls; ``change_sd`` how fields differ in it
    """

    change: Floats
    change_sd: Floats
    index: Index
    guidelines: GuidelineSet

    @classmethod
    def of(cls, moments: Moments, index: Index, guidelines: GuidelineSet) -> Published:
        change, spread = np.empty(moments.fields), np.empty(moments.fields)
        for cutting in np.unique(moments.stands.cutting):
            at = moments.stands.cutting == cutting
            turn = CUTTINGS[min(int(cutting), len(CUTTINGS)) - 1]
            entries = [guidelines[f"daily_change.{turn}.{stand}.{index}"] for stand in STANDS]
            grass = moments.stands.grass_pct[at]
            change[at] = np.interp(grass, GRASS_PCT, [entry.value for entry in entries])
            spreads = [entry.spread or entry.value / 4 for entry in entries]
            spread[at] = np.interp(grass, GRASS_PCT, spreads)
        return cls(-change if index.falls else change, spread, index, guidelines)

    def result_sd(self, near: Floats) -> Floats:
        """Error of a result of the usual method at a level of the index [index units]."""
        entry = self.guidelines[f"result_sd.nir.{self.index}"]
        if not self.index.falls:
            return np.full(near.shape, entry.value)
        # A constant error on the straight scale, see alerts.agronomy.scale.
        return entry.value * (np.maximum(near, 1.0) / (entry.at or 1.0)) ** 1.5


@dataclass(frozen=True, slots=True)
class Rule:
    """From the last own result by the published daily change."""

    own: OwnResults
    published: Published

    def results(self, asked: Asked) -> Predicted:
        who = asked.field
        ahead = self.own.last_ago[who] + asked.ahead
        mean = self.own.last[who] + self.published.change[who] * ahead
        error = self.published.result_sd(self.own.last[who])
        half = Z80 * np.sqrt(2.0 * error**2 + (self.published.change_sd[who] * ahead) ** 2)
        return Predicted(mean, mean - half, mean + half)

    def crossings(self, who: Ints, target: float) -> Predicted:
        change = self.published.change[who]
        ahead = (target - self.own.last[who]) / change
        error = self.published.result_sd(self.own.last[who])
        sd = np.sqrt(error**2 + (self.published.change_sd[who] * ahead) ** 2) / np.abs(change)
        return _within_sight(ahead - self.own.last_ago[who], Z80 * sd)


@dataclass(frozen=True, slots=True)
class Line:
    """The least-squares line through the field's own results."""

    own: OwnResults
    published: Published

    def results(self, asked: Asked) -> Predicted:
        who = asked.field
        mean = self.own.value[who] + self.own.slope[who] * (asked.ahead - self.own.middle[who])
        half = self._half(who) * np.sqrt(1.0 + self._leverage(who, asked.ahead))
        return Predicted(mean, mean - half, mean + half)

    def crossings(self, who: Ints, target: float) -> Predicted:
        """The rule's answer for a line that does not lead to the target."""
        leads = self.own.slope[who] * self.published.change[who] > 0
        slope = np.where(leads, self.own.slope[who], np.nan)
        ahead = self.own.middle[who] + (target - self.own.value[who]) / slope
        half = self._half(who) * np.sqrt(self._leverage(who, ahead)) / np.abs(slope)
        line = _within_sight(ahead, half)
        rule = Rule(self.own, self.published).crossings(who, target)
        return Predicted(
            np.where(leads, line.mean, rule.mean),
            np.where(leads, line.low, rule.low),
            np.where(leads, line.high, rule.high),
        )

    def _leverage(self, who: Ints, ahead: Floats) -> Floats:
        away = ahead - self.own.middle[who]
        leverage: Floats = 1.0 / self.own.count[who] + away**2 / self.own.spread[who]
        return leverage

    def _half(self, who: Ints) -> Floats:
        """Half an 80 % range of a value known exactly but for its residual.

        The residual spread is not taken below the published error of a result, which also serves
        where two results leave none.
        """
        free = self.own.count[who] - LINE_UNKNOWNS
        error = self.published.result_sd(self.own.value[who])
        found = np.sqrt(self.own.rest[who] / np.maximum(free, 1.0))
        wide = stdtrit(np.maximum(free, 1.0), 1.0 - TAIL)
        return np.where(free > 0, np.maximum(found, error) * wide, error * Z80)


def _within_sight(day: Floats, half: Floats) -> Predicted:
    ends = (np.clip(d, -BEFORE_DAYS, AFTER_DAYS) for d in (day, day - half, day + half))
    return Predicted(*ends)
