"""A predictor that is told what nobody can know: every area's true spreads.

In the *right* world its answers are the exact ones given all results so far: from the results alone
nobody can do better. In the other worlds it is only another straight line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from alerts.agronomy.area_model import fit_areas
from alerts.agronomy.area_parts import Results, Spreads
from alerts.agronomy.scale import Floats, to_scale
from alerts.backtest.curves import Curves, straight_scale
from alerts.backtest.predictors import Predictor, predictors
from alerts.backtest.replay import Moments
from alerts.backtest.scores import CrossingDays, MakePredictors
from alerts.backtest.seasons import Season
from alerts.backtest.simulation import TARGETS, Simulated
from alerts.backtest.world_names import World
from alerts.domain.area_fit import (
    RESULT_KINDS,
    numbered_visits,
    on_scale,
    prior_fields,
    strays,
)
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

ORACLE = "oracle"


def with_oracle(simulated: Simulated, seasons: Sequence[Season]) -> MakePredictors:
    """The usual predictors and the oracle."""
    names = {simulated.area_name(area): area for area in range(simulated.day.shape[0])}
    areas = np.array([names[season.area] for season in seasons])

    def make(moments: Moments, index: Index, guidelines: GuidelineSet) -> Mapping[str, Predictor]:
        told = _Told(simulated, areas[moments.season], index, guidelines)
        return {**predictors(moments, index, guidelines), ORACLE: told.curves(moments)}

    return make


def true_crossings(simulated: Simulated) -> CrossingDays:
    """The days on which the simulated crops met the targets of ``simulation.TARGETS``.

    NaN for those that did so before the first round of their area or after its last.
    """
    days: dict[str, tuple[int, int]] = {
        simulated.series_name(area, field): (area, field)
        for area, field, _ in np.argwhere(simulated.clipped).tolist()
    }

    def crossing_days(season: Season, index: Index, target: float) -> Floats:
        if target != TARGETS[index]:
            raise ValueError(f"the crossing of {index} {target:g} was not kept")
        found = np.array([simulated.truth[index].crossing[days[name]] for name in season.series])
        sampled = (found >= season.days[0]) & (found <= season.days[-1])
        return np.where(sampled, found, np.nan)

    return crossing_days


class _Told:
    """The true spreads of the areas of some moments."""

    def __init__(
        self, simulated: Simulated, area: np.ndarray, index: Index, guidelines: GuidelineSet
    ) -> None:
        self.index, self.guidelines, self.world = index, guidelines, simulated.world
        self.factor = {name: f[area] for name, f in simulated.truth[index].factor.items()}
        self.weather = simulated.pace[area] * (self.world is not World.STEADY)

    def _sd(self, name: str) -> float:
        return on_scale(self.guidelines[f"{name}.{self.index}"], self.index)

    def curves(self, moments: Moments) -> Curves:
        fields = prior_fields(moments.stands, self.index, self.guidelines)
        share = {part: self.guidelines.value(f"rate_share.{part}") for part in ("area", "field")}
        visit = self._sd("visit_sd.any") * self.factor["visit"]
        result = self._sd("result_sd.nir") * self.factor["result"]
        spreads = Spreads(
            area_level=self._sd("area_level"),
            area_rate=share["area"] * self.factor["area_rate"],
            field_level=self._sd("field_level") * self.factor["field_level"],
            field_rate=share["field"] * self.factor["field_rate"],
            visit=visit,
            other_index=self._sd("other_index"),
            drift=fields.rate.mean() * strays(self.guidelines)[1] * self.weather,
        )
        unit = moments.stands.unit
        given = ~np.isnan(moments.values(self.index))
        field = moments.evidence.field[given]
        results = Results(
            field=field,
            visit=numbered_visits(unit[field], moments.evidence.day[given]),
            since=moments.evidence.clock[given],
            value=to_scale(moments.values(self.index)[given], falls=self.index.falls),
            sd=result[unit[field]],
            other=np.zeros(field.size, dtype=np.intp),
        )
        robust = self.world is World.OUTLIERS
        return Curves(
            posterior=fit_areas(fields, results, spreads, units=moments.units, robust=robust),
            scale=straight_scale(self.index),
            guidelines=self.guidelines,
            weather=self.weather[unit],
            pace=moments.pace[unit],
            visit_sd=visit[unit],
            result_sd=np.repeat(result[unit][:, None], len(RESULT_KINDS), axis=1),
        )
