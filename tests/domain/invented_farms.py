"""Invented areas of farms, and plain draws of their posterior to hold what is said of them against.

The draws follow the definition of the model alone: a field's value is its level and its rate times
the clock, which the weather moves for all of a farm together; a field nobody sampled goes with the
sampled ones of its farm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from alerts.agronomy.scale import Floats, to_scale
from alerts.domain.area_clock import AreaClock, AreaClocks, calendar_clock
from alerts.domain.area_fit import AreaFit, Evidence, Ints, Stands, clock_stray, fit_area
from alerts.domain.farm_batch import FarmBatch
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

TODAY, SHOWN = 1000, 15


@dataclass(frozen=True)
class InventedGroup:
    stands: Stands
    clocks: AreaClocks
    stray: Floats
    evidence: Evidence


@dataclass(frozen=True)
class Invented:
    """Farms with n fields each, some of them not sampled."""

    group: InventedGroup
    fit: AreaFit
    places: Ints
    own_days: Floats
    target: Floats
    average: np.ndarray
    guidelines: GuidelineSet

    def batch(self) -> FarmBatch:
        return FarmBatch(
            self.group,
            self.fit,
            places=self.places,
            own_days=self.own_days,
            target=self.target,
            notice_days=np.full(self.target.size, 5),
            average=self.average,
            today=TODAY,
            days_shown=SHOWN,
        )


def invent(
    guidelines: GuidelineSet,
    index: Index,
    fields: int,
    *,
    seed: int,
    unsampled: float = 0.0,
    areas: int = 6,
    farms: int = 5,
    heat: bool = True,
) -> Invented:
    """``farms`` of so many ``fields`` in each area, a share of them ``unsampled``; every second
    area knows the weather if ``heat``."""
    rng = np.random.default_rng(seed)
    count = farms * fields
    unit = np.repeat(np.arange(areas), count)
    stands = Stands(
        unit=unit,
        cutting=np.ones(unit.size, dtype=np.intp),
        grass_pct=np.where(rng.random(unit.size) < 0.3, 40.0, 0.0),
        earlier_days=np.where(rng.random(unit.size) < 0.2, 1.0, 0.0),
    )
    clocks = AreaClocks.of([_clock(rng, heat and area % 2 == 1) for area in range(areas)])
    stray = np.array(
        [clock_stray(guidelines, weather_known=bool(knows)) for knows in clocks.follows_heat]
    )
    results = rng.integers(1, 6, unit.size) * (rng.random(unit.size) >= unsampled)
    field = np.repeat(np.arange(unit.size), results)
    round_ = np.concatenate([rng.permutation(6)[:many] for many in results]).astype(np.intp)
    day = TODAY - 1 - round_ * 3
    clock = clocks.at(unit[field], day)
    level = 37.0 + rng.normal(0, 2, areas)[unit] + rng.normal(0, 1.7, unit.size)
    rate = 0.55 * (1 + rng.normal(0, 0.15, areas)[unit] + rng.normal(0, 0.12, unit.size))
    ndf = level[field] + rate[field] * (clock - TODAY) + rng.normal(0, 1.8, field.size)
    ndf += rng.normal(0, 1.5, (areas, 6))[unit[field], round_]
    nothing = np.full(field.size, np.nan)
    rfv = 120.0 * 185.0 / (ndf * 5.0 * 0.85)
    evidence = Evidence(
        field=field,
        day=day,
        clock=clock,
        rfv=rfv if index is Index.RFV else nothing,
        rfq=nothing,
        ndf=ndf if index is Index.NDF else nothing,
        kind=np.ones(field.size, dtype=np.intp),
        late=np.zeros(field.size, dtype=np.bool_),
    )
    fit = fit_area(
        stands,
        evidence,
        index,
        guidelines,
        origin=np.array([clocks.at(area, TODAY - 1) for area in range(areas)]),
        units=areas,
        weather_known=clocks.follows_heat,
    )
    places = np.arange(unit.size).reshape(-1, fields)
    goal = rng.normal(41.0, 2.0, places.shape[0])
    if index is Index.RFV:
        goal = 120.0 * 185.0 / (goal * 5.0 * 0.85)
    return Invented(
        group=InventedGroup(stands, clocks, stray, evidence),
        fit=fit,
        places=places,
        own_days=rng.uniform(0.3, 1.5, places.shape),
        target=to_scale(goal, falls=index.falls),
        average=np.zeros(places.shape[0], dtype=np.bool_),
        guidelines=guidelines,
    )


def _clock(rng: np.random.Generator, follows_heat: bool) -> AreaClock:
    calendar = calendar_clock(TODAY - 45, TODAY + 95)
    if not follows_heat:
        return calendar
    pace = np.clip(rng.normal(1.0, 0.35, calendar.day.size), 0.1, 2.0)
    pace[calendar.day > TODAY + 7] = 1.0
    clock = np.cumsum(pace) - pace[0]
    ahead = np.clip(calendar.day - TODAY, 0.0, None)
    return AreaClock(calendar.day, clock, 0.25 * ahead**0.75, 500.0, True)


class Draws:
    """Draws of a farm's lines and of the weather."""

    def __init__(self, farms: Invented, farm: int, points: Floats) -> None:
        """``points`` are standard normal numbers, shape (draws, 2 n + 1), the first the weather."""
        self.farms, self.farm = farms, farm
        places = farms.places[farm]
        posterior = farms.fit.posterior
        mean, cov = posterior.joint(places)
        sampled = np.isin(places, farms.group.evidence.field[farms.fit.used])
        if not sampled.any():
            for one in range(places.size):
                for other in set(range(places.size)) - {one}:
                    own = posterior.own_cov[places[one]]
                    cov[2 * one : 2 * one + 2, 2 * other : 2 * other + 2] += own
        values, vectors = np.linalg.eigh((cov + cov.T) / 2)
        root = (vectors * np.sqrt(np.maximum(values, 0.0)))[:, ::-1]
        line = mean + points[:, 1:] @ root.T
        level, share = line[:, 0::2].copy(), line[:, 1::2].copy()
        if sampled.any():
            for part in (level, share):
                part[:, ~sampled] = part[:, sampled].mean(axis=1, keepdims=True)
        self.level = posterior.fields.level[places] + level
        self.rate = posterior.fields.rate[places] * np.maximum(1.0 + share, 0.1)
        self.weather = points[:, 0]

    def value(self, field: int, day: float) -> Floats:
        """Of a field on a day, shape (draws,)."""
        group, fit = self.farms.group, self.farms.fit
        unit = int(group.stands.unit[self.farms.places[self.farm, field]])
        origin = fit.origin[unit]
        since = group.clocks.at(unit, day) - origin
        off = group.clocks.sd_since(unit, day, origin, group.stray[unit])
        moved: Floats = self.level[:, field] + self.rate[:, field] * (since + off * self.weather)
        return moved

    def of_farm(self, order: Ints, days: Floats) -> Floats:
        """Value of the load that counts for each day of the start, shape (days, draws)."""
        own = self.farms.own_days[self.farm][order]
        done = np.cumsum(own)
        if not self.farms.average[self.farm]:
            return np.stack(
                [
                    np.max([self.value(f, d + t) for f, t in zip(order, done, strict=True)], axis=0)
                    for d in days
                ]
            )
        parts = zip(order, done - own / 2, own / own.sum(), strict=True)
        parts = list(parts)
        return np.stack(
            [np.sum([s * self.value(f, d + t) for f, t, s in parts], axis=0) for d in days]
        )
