"""Springs to grow invented crops in: the right one, and some that the model does not expect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from alerts.agronomy.scale import Floats
from alerts.backtest.world_names import World
from alerts.domain.guidelines import GuidelineSet

DAYS_BEFORE, DAYS_AFTER = 20, 60
"""Days of weather around the first sampling day."""

SLOWEST_PACE = 0.05
"""Ordinary days in the coldest of days."""

MOST_BEND = 0.4
"""In the curved world, the pace of growth changes by up to this share over the span."""

HEAT_WAVE_DAYS, HEAT_WAVE_FROM = (3, 5), (3, 15)
"""Length of the heat wave, and the days after the first round between which it begins."""


@dataclass(frozen=True, slots=True)
class Spring:
    """How each area's season goes.

    clock : weather's clock on each morning from DAYS_BEFORE on, 0 on the first sampling day,
        shape (areas, days) [ordinary days]
    growth : the same for how far growth has come
    """

    clock: Floats
    growth: Floats

    @property
    def days(self) -> NDArray[np.intp]:
        """Days of the columns, counted from the first sampling day."""
        return np.arange(self.clock.shape[1]) - DAYS_BEFORE

    def grown_by(self, day: Floats) -> Floats:
        """Growth on one day of each area, shape (areas,)."""
        return np.array(
            [np.interp(d, self.days, row) for d, row in zip(day.tolist(), self.growth, strict=True)]
        )

    def day_of(self, growth: Floats) -> Floats:
        """Days, counted from the first round, on which growth has come so far, (areas, fields)."""
        return np.array(
            [
                np.interp(wanted, row, self.days)
                for wanted, row in zip(growth, self.growth, strict=True)
            ]
        )


def spring(
    world: World, rng: np.random.Generator, pace: Floats, span: float, guidelines: GuidelineSet
) -> Spring:
    """Weather and growth of areas; ``pace`` is how much more than usual their weather varies."""
    days = DAYS_BEFORE + DAYS_AFTER
    daily = np.maximum(
        1.0 + pace[:, None] * _weather(rng, pace.size, days, guidelines), SLOWEST_PACE
    )
    bend = rng.uniform(-MOST_BEND, MOST_BEND, pace.size)
    first = DAYS_BEFORE + rng.integers(*HEAT_WAVE_FROM, pace.size)
    hot_days = rng.integers(*HEAT_WAVE_DAYS, pace.size, endpoint=True)
    if world is World.STEADY:
        daily = np.ones_like(daily)
    if world is World.HEAT_WAVE:
        since = np.arange(days) - first[:, None]
        daily = daily + ((since >= 0) & (since < hot_days[:, None]))
    clock = np.concatenate([np.zeros((pace.size, 1)), np.cumsum(daily, axis=1)], axis=1)
    clock = clock - clock[:, [DAYS_BEFORE]]
    return Spring(clock, _bent(clock, bend, span) if world is World.CURVED else clock)


def _weather(rng: np.random.Generator, areas: int, days: int, guidelines: GuidelineSet) -> Floats:
    """Daily pace above the ordinary [ordinary days a day]; warm and cool spells last."""
    rho, sd = (guidelines.value(f"clock.pace_{part}") for part in ("autocorrelation", "sd"))
    weather = rng.normal(size=(areas, days))
    for day in range(1, days):
        fresh = np.sqrt(1.0 - rho**2) * weather[:, day]
        weather[:, day] = rho * weather[:, day - 1] + fresh
    return sd * weather


def _bent(clock: Floats, bend: Floats, span: float) -> Floats:
    """Growth whose pace changes evenly by the share ``bend`` over the span, and not outside."""
    inside = np.clip(clock, 0.0, span)
    half = bend[:, None] / 2.0
    outside = (clock - inside) * np.where(clock > span, 1.0 + half, 1.0 - half)
    return np.asarray(outside + inside * (1.0 - half) + half * inside**2 / span)
