"""Seasons replayed sampling day by sampling day: what was known, and what was to come.

A sampling day of a season is a *moment*: all results of the area up to and including it. Moments of
many seasons are laid out behind each other as flat arrays, so that a predictor answers all of them
in one go; a moment is a unit of the area model. Nothing later than its day is in a moment, not
even the weather.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from alerts.agronomy.scale import Floats
from alerts.backtest.seasons import Season
from alerts.domain.area_fit import Evidence, Stands
from alerts.domain.records import Index

Ints = NDArray[np.intp]

OWN_DAYS = 2
"""Days of own results from which a field's line is defined."""

PACE_DAYS, PACE_PRIOR_DAYS = 14, 4
"""A clock of degree days is expected to go on at the pace of the last two weeks, held by some
ordinary days."""

MOST_RESULTS = 60_000
"""Results of the moments taken together; keeps memory flat."""


@dataclass(frozen=True, slots=True)
class Moments:
    """What was known at a number of moments.

    season : position of each moment's season, shape (units,)
    today : ordinal day of each moment, shape (units,)
    stands : the fields of all moments; ``series`` is their position in their season
    evidence : the results known; clocks are counted from their moment
    pace : ordinary days to expect from each coming day, shape (units,)
    weather_known : whether the clock follows the weather, shape (units,)
    """

    season: Ints
    today: Ints
    stands: Stands
    series: Ints
    evidence: Evidence
    pace: Floats
    weather_known: NDArray[np.bool_]

    @property
    def units(self) -> int:
        return self.today.size

    @property
    def fields(self) -> int:
        return self.series.size

    def values(self, index: Index) -> Floats:
        """Known results in ``index``, NaN where not given."""
        known = {Index.RFV: self.evidence.rfv, Index.RFQ: self.evidence.rfq}
        return known.get(index, self.evidence.ndf)

    def own_days(self, index: Index) -> Ints:
        """Days on which each field has results in ``index``, shape (fields,)."""
        given = ~np.isnan(self.values(index))
        dated = np.stack([self.evidence.field[given], self.evidence.day[given]])
        return np.bincount(np.unique(dated, axis=1)[0], minlength=self.fields)

    def today_of(self, field: Ints) -> Ints:
        return self.today[self.stands.unit[field]]


@dataclass(frozen=True, slots=True)
class Asked:
    """Results to be predicted, arrays of shape (cases,).

    field : number among the moments' fields
    ahead : days from the moment to the result [d, > 0]
    kind : number in ``domain.area_fit.RESULT_KINDS``
    observed : the result's value
    """

    field: Ints
    ahead: Floats
    kind: Ints
    observed: Floats

    def __getitem__(self, chosen: NDArray[np.bool_]) -> Asked:
        return Asked(
            self.field[chosen], self.ahead[chosen], self.kind[chosen], self.observed[chosen]
        )


@dataclass(frozen=True, slots=True)
class Predicted:
    """Answers with their 80 % range, arrays of shape (cases,)."""

    mean: Floats
    low: Floats
    high: Floats


def replay(seasons: Sequence[Season]) -> Iterator[Moments]:
    """All moments but the last of each season, some at a time."""
    waiting: list[tuple[int, int]] = []
    results = 0
    for place, season in enumerate(seasons):
        for today in season.days[:-1]:
            waiting.append((place, int(today)))
            results += int(np.count_nonzero(season.day <= today))
            if results > MOST_RESULTS:
                yield _moments(seasons, waiting)
                waiting, results = [], 0
    if waiting:
        yield _moments(seasons, waiting)


def next_results(seasons: Sequence[Season], moments: Moments, index: Index) -> Asked:
    """The next result of every field, later than its moment; two of one day are both asked."""
    found = [
        _next_of(seasons[season], int(today), index)
        for season, today in zip(moments.season, moments.today, strict=True)
    ]
    first = np.searchsorted(moments.stands.unit, np.arange(moments.units))
    start = np.repeat(first, [asked.field.size for asked in found])
    return Asked(
        field=start + np.concatenate([asked.field for asked in found]),
        ahead=np.concatenate([asked.ahead for asked in found]),
        kind=np.concatenate([asked.kind for asked in found]),
        observed=np.concatenate([asked.observed for asked in found]),
    )


def _next_of(season: Season, today: int, index: Index) -> Asked:
    later = (season.day > today) & ~np.isnan(season.values[index])
    soonest = np.full(len(season.series), np.iinfo(np.intp).max)
    np.minimum.at(soonest, season.field[later], season.day[later])
    rows = np.flatnonzero(later & (season.day == soonest[season.field]))
    return Asked(
        field=season.field[rows],
        ahead=(season.day[rows] - today).astype(np.float64),
        kind=season.kind[rows],
        observed=season.values[index][rows],
    )


# ---------------------------------------------------------------------- layout


def _moments(seasons: Sequence[Season], chosen: Sequence[tuple[int, int]]) -> Moments:
    owner = [seasons[place] for place, _ in chosen]
    rows = [np.flatnonzero(seasons[place].day <= today) for place, today in chosen]
    clocks = [
        _clock(season, today, known)
        for season, (_, today), known in zip(owner, chosen, rows, strict=True)
    ]
    sizes = np.array([len(season.series) for season in owner])
    return Moments(
        season=np.array([place for place, _ in chosen], dtype=np.intp),
        today=np.array([today for _, today in chosen], dtype=np.intp),
        stands=_stands(owner, sizes),
        series=np.concatenate([np.arange(size) for size in sizes]),
        evidence=_evidence(owner, rows, sizes, np.concatenate([clock for clock, _ in clocks])),
        pace=np.array([pace for _, pace in clocks]),
        weather_known=np.array([season.clock is not None for season in owner]),
    )


def _stands(owner: Sequence[Season], sizes: Ints) -> Stands:
    return Stands(
        unit=np.repeat(np.arange(sizes.size), sizes),
        cutting=np.repeat([season.cutting for season in owner], sizes),
        grass_pct=np.concatenate([season.grass_pct for season in owner]),
        earlier_days=np.zeros(int(sizes.sum())),
    )


def _evidence(
    owner: Sequence[Season], rows: Sequence[Ints], sizes: Ints, clock: Floats
) -> Evidence:
    known = list(zip(owner, rows, strict=True))
    start = np.repeat(np.cumsum(sizes) - sizes, [chosen.size for chosen in rows])
    values = {
        index: np.concatenate([season.values[index][chosen] for season, chosen in known])
        for index in Index
    }
    return Evidence(
        field=start + np.concatenate([season.field[chosen] for season, chosen in known]),
        day=np.concatenate([season.day[chosen] for season, chosen in known]),
        clock=clock,
        rfv=values[Index.RFV],
        rfq=values[Index.RFQ],
        ndf=values[Index.NDF],
        kind=np.concatenate([season.kind[chosen] for season, chosen in known]),
        late=np.zeros(start.size, dtype=np.bool_),
    )


def _clock(season: Season, today: int, rows: Ints) -> tuple[Floats, float]:
    """Clock of the results, counted from today, and the pace to expect."""
    calendar = (season.day[rows] - today).astype(np.float64)
    if season.clock is None:
        return calendar, 1.0
    clock = season.clock[rows]
    since = clock - clock[calendar == 0].mean()
    recent = calendar >= -PACE_DAYS
    gone, grown = -calendar[recent].min(), -since[recent].min()
    return since, float((grown + PACE_PRIOR_DAYS) / (gone + PACE_PRIOR_DAYS))
