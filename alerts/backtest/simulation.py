"""Invented seasons with known truth, written as the tables that the back-test reads.

Every index column comes from its own straight line on its straight scale, with the spreads of the
guidelines: fields, sampling days, results, and the weather that the calendar does not know. An
area's own spreads lie some 20 % around the guidelines', so that who knows them can do better.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from alerts.agronomy.scale import Floats, from_scale, points_to_scale, to_scale
from alerts.backtest.world_names import World
from alerts.backtest.worlds import DAYS_BEFORE, Spring, spring
from alerts.domain.area_fit import on_scale, prior_rate
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index

Ints = NDArray[np.intp]

SPREADS = ("field_level", "area_rate", "field_rate", "visit", "result")
"""Spreads of an index that differ from area to area; the weather's is the same for all."""

JITTER = 0.2
"""Standard deviation of the logarithm of an area's spreads."""

FIRST_MONDAY = date(2027, 4, 26)
FIRST_WEEKS = 4
"""An area's first round is on one of so many Mondays."""

CLIPPED = 0.8
"""Chance that a field is clipped on a sampling day."""

TARGETS: Mapping[Index, float] = {Index.RFV: 185.0, Index.RFQ: 185.0, Index.NDF: 38.0}
CROSSING_DAYS = (8.0, 20.0)
"""The area's mean crop meets its target within these days after the first round."""

SLOWEST_SHARE = 0.1
ODD_SHARE, ODD_SDS = 0.05, (4.0, 8.0)
LAB_POINTS: Mapping[Index, float] = {Index.RFV: -8.0, Index.RFQ: -8.0, Index.NDF: -1.3}
"""How much riper a laboratory of the biased world reads a crop than it is [index points]."""

UNLIKE: Mapping[str, float] = {"field_level": 2.5, "field_rate": 3.0}
START_HEAT_F_DAYS = 400.0


@dataclass(frozen=True, slots=True)
class Truth:
    """What made one index's results.

    factor : spreads of SPREADS as factors of the guidelines', each of shape (areas,)
    crossing : ordinal day on which each field meets the target of TARGETS, shape (areas, fields)
    """

    factor: Mapping[str, Floats]
    crossing: Floats


@dataclass(frozen=True, slots=True)
class Simulated:
    """Tables as arrays, and the truth behind them.

    day : ordinal day of each round, shape (areas, rounds)
    clipped : which field was sampled in which round, shape (areas, fields, rounds)
    values : index values, shape (areas, fields, rounds); NaN for one that no laboratory would
        report, being outside the guidelines' plausible range
    heat : degree days over 41 F by each round, shape (areas, rounds) [F-days]
    pace : factor of the guidelines' spread of the weather, shape (areas,)
    truth : by index
    """

    world: World
    day: Ints
    clipped: NDArray[np.bool_]
    values: Mapping[Index, Floats]
    heat: Floats
    pace: Floats
    truth: Mapping[Index, Truth]

    def area_name(self, area: int) -> str:
        return f"A{area + 1:0{len(str(self.day.shape[0]))}d}"

    def series_name(self, area: int, field: int) -> str:
        return f"{self.area_name(area)}-F{field + 1}"


def simulate(
    world: World,
    seed: int,
    areas: int,
    guidelines: GuidelineSet,
    *,
    fields: int = 6,
    rounds: int = 7,
) -> Simulated:
    """Seasons of ``areas`` areas, sampled Mondays and Thursdays; the same for the same arguments.

    Parameters
    ----------
    world : see ``alerts.backtest.worlds``
    seed : of the random numbers
    areas, fields, rounds : areas, fields an area and sampling days [1 or more]
    guidelines : rates and spreads

    Returns
    -------
    Simulated
    """
    rng = np.random.Generator(np.random.PCG64(seed))
    start = FIRST_MONDAY.toordinal() + 7 * rng.integers(0, FIRST_WEEKS, areas)
    after = np.array([7 * (k // 2) + 3 * (k % 2) for k in range(rounds)])
    pace = _factors(rng, areas)
    growing = spring(world, rng, pace, float(max(after[-1], 1)), guidelines)
    clipped = rng.random((areas, fields, rounds)) < CLIPPED
    biased = rng.random((areas, fields)) < (0.5 if world is World.BIASED_LAB else 0.0)
    values, truth = {}, {}
    for index in Index:
        crop = _Crop(world, index, guidelines, rng, growing, biased)
        values[index], crossing = crop.results(after)
        truth[index] = Truth(crop.factor, start[:, None] + crossing)
    per_day = guidelines.value("clock.degree_days_per_day")
    return Simulated(
        world=world,
        day=start[:, None] + after,
        clipped=clipped,
        values=values,
        heat=START_HEAT_F_DAYS + per_day * growing.clock[:, DAYS_BEFORE + after],
        pace=pace,
        truth=truth,
    )


def _factors(rng: np.random.Generator, areas: int) -> Floats:
    return np.exp(rng.normal(0.0, JITTER, areas))


class _Crop:
    """One index of all fields."""

    def __init__(
        self,
        world: World,
        index: Index,
        guidelines: GuidelineSet,
        rng: np.random.Generator,
        growing: Spring,
        biased: NDArray[np.bool_],
    ) -> None:
        self.world, self.index, self.guidelines, self.rng = world, index, guidelines, rng
        self.growing, self.biased = growing, biased
        self.areas, self.fields = int(biased.shape[0]), int(biased.shape[1])
        unlike = UNLIKE if world is World.UNLIKE_FIELDS else {}
        self.factor = {k: _factors(rng, self.areas) * unlike.get(k, 1.0) for k in SPREADS}

    def results(self, after: Ints) -> tuple[Floats, Floats]:
        """Results of all rounds [index units], and the days on which fields meet the target.

        Shapes (areas, fields, rounds) and (areas, fields); days are counted from the first round.
        """
        target = float(to_scale(TARGETS[self.index], falls=self.index.falls))
        rate = self._rates()
        earliest, latest = CROSSING_DAYS
        due = self.growing.grown_by(self.rng.uniform(earliest, latest, size=self.areas))
        level = target - rate.mean(axis=1, keepdims=True) * due[:, None]
        level = level + self._drawn("field_level", self._sd("field_level"), rate.shape)
        crossing = self.growing.day_of((target - level) / rate)
        growth = self.growing.growth[:, None, DAYS_BEFORE + after]
        measured = level[:, :, None] + rate[:, :, None] * growth
        measured = measured + self._errors(measured.shape) + self._bias()[:, :, None]
        return self._reported(from_scale(measured, falls=self.index.falls)), crossing

    def _reported(self, value: Floats) -> Floats:
        name = "ndf_pct_dm" if self.index is Index.NDF else self.index.value
        low, high = self.guidelines.limits()[name]
        return np.where((value >= low) & (value <= high), value, np.nan)

    def _rates(self) -> Floats:
        """Daily change of each field [scale units an ordinary day], shape (areas, fields)."""
        shares = [self.guidelines.value(f"rate_share.{part}") for part in ("area", "field")]
        share = self._drawn("area_rate", shares[0], (self.areas, 1))
        share = share + self._drawn("field_rate", shares[1], (self.areas, self.fields))
        usual = float(prior_rate(self.guidelines, self.index, 1, 0.0))
        return np.asarray(usual * np.maximum(1.0 + share, SLOWEST_SHARE))

    def _errors(self, shape: tuple[int, ...]) -> Floats:
        areas, _, rounds = shape
        day = self._drawn("visit", self._sd("visit_sd.any"), (areas, 1, rounds))
        sd = self._sd("result_sd.nir")
        result = self._drawn("result", sd, shape)
        if self.world is World.OUTLIERS:
            odd = self.rng.random(shape) < ODD_SHARE
            off = self.rng.choice([-1.0, 1.0], shape) * self.rng.uniform(*ODD_SDS, shape)
            result = np.where(odd, sd * off, result)
        return np.asarray(day + result)

    def _bias(self) -> Floats:
        level = TARGETS[self.index]
        step = points_to_scale(LAB_POINTS[self.index], level, falls=self.index.falls)
        return np.where(self.biased, step, 0.0)

    def _sd(self, name: str) -> float:
        return on_scale(self.guidelines[f"{name}.{self.index}"], self.index)

    def _drawn(self, spread: str, sd: float, shape: tuple[int, ...]) -> Floats:
        """Normal numbers whose spread is the area's own."""
        own = (sd * self.factor[spread]).reshape(-1, *[1] * (len(shape) - 1))
        return np.asarray(own * self.rng.normal(size=shape))


def as_csv(simulated: Simulated, *, with_heat: bool = False) -> str:
    """The table that ``cutcall backtest`` reads; ``with_heat`` adds the column gdd41f."""
    header = ["series_id", "area", "date", "cutting", "crop", "rfv", "rfq", "ndf_pct"]
    lines = [",".join([*header, *(["gdd41f"] if with_heat else [])])]
    given = np.any([~np.isnan(values) for values in simulated.values.values()], axis=0)
    for area, field, k in np.argwhere(simulated.clipped & given).tolist():
        cells = [
            simulated.series_name(area, field),
            simulated.area_name(area),
            date.fromordinal(int(simulated.day[area, k])).isoformat(),
            "1",
            "alfalfa",
            *(_cell(simulated.values[index][area, field, k]) for index in Index),
            *([f"{simulated.heat[area, k]:.1f}"] if with_heat else []),
        ]
        lines.append(",".join(cells))
    return "\n".join(lines) + "\n"


def _cell(value: float) -> str:
    return "" if np.isnan(value) else f"{value:.2f}"


def truth_as_csv(simulated: Simulated) -> str:
    """The true day, with its fraction, on which each series meets its targets."""
    lines = ["series_id,index,target,met_on,part_of_day"]
    for area, field in np.argwhere(simulated.clipped.any(axis=2)).tolist():
        for index, truth in simulated.truth.items():
            day, part = divmod(float(truth.crossing[area, field]), 1.0)
            met_on = date.fromordinal(int(day)).isoformat()
            name = simulated.series_name(area, field)
            lines.append(f"{name},{index},{TARGETS[index]:g},{met_on},{part:.3f}")
    return "\n".join(lines) + "\n"
