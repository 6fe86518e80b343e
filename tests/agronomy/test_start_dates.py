"""Days to start, against plain draws on finely divided days.

The rule for a harvest is common practice: start so early that the last load (or the crop's average)
still meets the target.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from alerts.agronomy.loose_lines import LineCov, Lines
from alerts.agronomy.scale import Floats
from alerts.agronomy.start_dates import (
    Ahead,
    AverageLoads,
    Harvest,
    LastLoads,
    Loads,
    LoadsTogether,
    Spread,
    chance_of_missing,
    start_moments,
)

CHANCES = (0.1, 0.5, 0.9)
FIRST, LAST = -60.0, 90.0
DRAWS = 200_000
STRAY = 0.5


def calendar(day: Floats, *, pace: float = 1.0) -> tuple[Floats, Floats]:
    since = day * pace
    return since, STRAY * np.sqrt(np.maximum(since, 0.0))


class Farm:
    """Fields with lines that share a part, a clock, and draws of both."""

    def __init__(self, fields: int, seed: int, ahead: Ahead = calendar) -> None:
        rng = np.random.default_rng(seed)
        self.level = rng.normal(37.0, 0.7, fields)
        self.rate = rng.uniform(0.5, 0.65, fields)
        own, shared = rng.uniform(0.5, 1.0, fields), 0.9
        self.level_cov = np.full((fields, fields), shared**2) + np.diag(own**2)
        self.rate_cov = 0.04**2 * (np.ones((fields, fields)) + np.eye(fields))
        self.after, self.ahead = np.cumsum(rng.uniform(0.4, 1.5, fields)), ahead
        self.target = 42.0
        line = rng.multivariate_normal(self.level, self.level_cov, DRAWS)
        rates = rng.multivariate_normal(self.rate, self.rate_cov, DRAWS)
        self.drawn = line, np.maximum(rates, 0.05), rng.normal(size=DRAWS)

    def harvest(self) -> Harvest:
        column = partial(np.reshape, shape=(-1, 1))
        due = (self.target - self.level) / self.rate
        return Harvest(
            lines=Lines(
                column(self.level),
                column(self.rate),
                column(np.diag(self.level_cov)),
                np.zeros((self.level.size, 1)),
                column(np.diag(self.rate_cov)),
            ),
            after=column(self.after),
            target=np.array([self.target]),
            due=Spread(column(due), np.full((due.size, 1), 2.5), np.full((due.size, 1), 3.5)),
            ahead=self.ahead,
        )

    def cov(self) -> LineCov:
        nothing = np.zeros((*self.level_cov.shape, 1))
        return LineCov(self.level_cov[..., None], nothing, self.rate_cov[..., None])

    def values(self, day: float) -> Floats:
        """Of the loads that count for a start on this day, shape (draws, fields)."""
        level, rate, weather = self.drawn
        since, off = self.ahead(day + self.after)
        return np.asarray(level + rate * (since + off * weather[:, None]))


def missing(loads: Loads, day: Floats) -> Floats:
    return chance_of_missing(loads.near(day[None])(day[None]))[0]


FARMS = {
    "one field": (1, lambda farm: LoadsTogether(farm.harvest())),
    "last of two": (2, lambda farm: LastLoads(farm.harvest(), farm.cov())),
    "last of five": (5, lambda farm: LastLoads(farm.harvest(), farm.cov())),
    "average of three": (
        3,
        lambda farm: AverageLoads(farm.harvest(), np.full((3, 1), 1 / 3), farm.cov()),
    ),
}


@pytest.mark.parametrize("kind", FARMS)
@pytest.mark.parametrize("seed", [1, 2])
def test_moments_chances_and_loads_are_those_of_the_draws(kind: str, seed: int) -> None:
    fields, loads_of = FARMS[kind]
    farm = Farm(fields, seed)
    loads = loads_of(farm)
    counts = np.mean if kind.startswith("average") else np.max
    moments = start_moments(loads, CHANCES, FIRST, LAST)[0]
    for moment, chance in zip(moments, CHANCES, strict=True):
        late = (counts(farm.values(float(moment)), axis=1) > farm.target).mean()
        assert late == pytest.approx(chance, abs=0.008)
    days = np.arange(15.0)
    away, middle = loads.seen(days[None])
    for day in days.astype(int):
        values = counts(farm.values(float(day)), axis=1)
        assert chance_of_missing(away)[0, day] == pytest.approx(
            (values > farm.target).mean(), abs=0.008
        )
        assert middle[0, day] == pytest.approx(np.median(values), abs=0.02 * values.std() + 0.01)


@pytest.mark.parametrize("kind", FARMS)
def test_chance_rises_with_the_day_of_the_start(kind: str) -> None:
    fields, loads_of = FARMS[kind]
    chance = missing(loads_of(Farm(fields, 3)), np.arange(-10.0, 40.0))
    assert (np.diff(chance) >= -1e-4).all()
    assert chance[0] < 0.01
    assert chance[-1] > 0.97


def test_moments_are_in_order_and_stay_within_their_ends() -> None:
    farm = Farm(3, 4)
    loads = LastLoads(farm.harvest(), farm.cov())
    early, middle, late = start_moments(loads, CHANCES, FIRST, LAST)[0]
    assert FIRST < early < middle < late < LAST
    ends = start_moments(loads, CHANCES, float(middle) - 0.5, float(middle) + 0.5)[0]
    assert ends.tolist() == pytest.approx([middle - 0.5, middle, middle + 0.5], abs=0.05)


def test_fields_that_go_together_start_by_the_tightest() -> None:
    farm = Farm(3, 5)
    together = LoadsTogether(farm.harvest())
    day = np.arange(15.0)
    each = []
    for field in range(3):
        alone = Farm(3, 5)
        for part in ("level", "rate", "after"):
            setattr(alone, part, getattr(farm, part)[[field]])
        alone.level_cov = farm.level_cov[[field]][:, [field]]
        alone.rate_cov = farm.rate_cov[[field]][:, [field]]
        each.append(missing(LoadsTogether(alone.harvest()), day))
    np.testing.assert_allclose(missing(together, day), np.max(each, axis=0), atol=1e-12)


def test_average_lies_later_than_last_load() -> None:
    farm = Farm(3, 6)
    last = start_moments(LastLoads(farm.harvest(), farm.cov()), CHANCES, FIRST, LAST)
    share = np.full((3, 1), 1 / 3)
    average = start_moments(AverageLoads(farm.harvest(), share, farm.cov()), CHANCES, FIRST, LAST)
    assert (average > last).all()


def test_days_seen_hang_on_no_others() -> None:
    farm = Farm(4, 7)
    loads = LastLoads(farm.harvest(), farm.cov())
    short, long = (loads.seen(np.arange(count)[None]) for count in (15.0, 32.0))
    for one, other in zip(short, long, strict=True):
        np.testing.assert_allclose(one[0], other[0, :15], atol=1e-9)
