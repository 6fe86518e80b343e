"""Fields that learn from others of their area: those on one cutting, and what is known of them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from alerts.domain.area_clock import AreaClock, AreaClocks
from alerts.domain.area_fit import AreaFit, Evidence, Stands, clock_stray, fit_area, usable
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index
from alerts.domain.snapshot import NEVER, AreaPlan, FieldTable, Snapshot

Ints = NDArray[np.intp]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

NDF_DEGREE_DAYS = 680.0
"""Degree days over 41 F at which the guidelines' NDF of an alfalfa stand holds [F-days]."""

FIRST_DEGREE_DAYS = NDF_DEGREE_DAYS / 2
"""Before, nothing is told from heat alone: coming days count as ordinary ones of May, and in March
that would call the date weeks early [F-days]."""

LAST_DEGREE_DAYS = 970.0
"""Up to here NDF was published by degree days [F-days]: Thomas, C., about 2010, Use growing degree
days to time first cutting."""


class AreaGroup:
    """The fields of areas that are on one cutting, with their fits by index.

    units : positions in ``Snapshot.areas`` of the areas that have such fields, rising; a unit is
        a position among these
    members : positions of these fields in ``Snapshot.fields``, rising
    clocks : the areas' clocks for this cutting
    stray : how far each clock strays in a day, see ``area_fit.clock_stray``, shape (units,)
    evidence : results of these fields; ``Evidence.field`` is a position in ``members``
    """

    def __init__(
        self,
        snapshot: Snapshot,
        guidelines: GuidelineSet,
        today: date,
        cutting: int,
        clock_of: Callable[[AreaPlan], AreaClock],
    ) -> None:
        fields = snapshot.fields
        self.members: Ints = np.flatnonzero(fields.cutting == cutting)
        areas = snapshot.area[fields.farm[self.members]]
        self.units, unit = np.unique(areas, return_inverse=True)
        self.clocks = AreaClocks.of([clock_of(snapshot.areas[at]) for at in self.units])
        strays = [clock_stray(guidelines, weather_known=known) for known in (False, True)]
        self.stray = np.array(strays)[self.clocks.follows_heat.astype(np.intp)]
        self.stands = Stands(
            unit=unit.astype(np.intp, copy=False),
            cutting=np.full(self.members.size, cutting, dtype=np.intp),
            grass_pct=fields.grass_pct[self.members],
            earlier_days=_earlier_days(fields, self.members, unit, guidelines, today),
        )
        self._guidelines = guidelines
        self._clock_today = self.clocks.at(np.arange(self.units.size), float(today.toordinal()))
        self.evidence = self._evidence(snapshot)
        self.unit_of_result: Ints = self.stands.unit[self.evidence.field]
        self._fits: dict[Index, AreaFit] = {}

    def _evidence(self, snapshot: Snapshot) -> Evidence:
        results = snapshot.results
        place = np.full(snapshot.fields.id.size, -1, dtype=np.intp)
        place[self.members] = np.arange(self.members.size)
        # A result that speaks no index must not move the origin either.
        speaks = np.isfinite([results.rfv, results.rfq, results.ndf]).any(axis=0)
        mine = (place[results.field] >= 0) & speaks
        field, day = place[results.field[mine]], results.day[mine]
        return Evidence(
            field=field,
            day=day,
            clock=self.clocks.at(self.stands.unit[field], day),
            rfv=results.rfv[mine],
            rfq=results.rfq[mine],
            ndf=results.ndf[mine],
            kind=results.kind[mine],
            late=results.late[mine],
        )

    def knows(self, index: Index) -> Flags:
        """Whether results or heat say anything of each unit in an index, shape (units,)."""
        return self._speaks(index) | ~np.isnan(self._ndf_of_heat)

    def fit(self, index: Index) -> AreaFit:
        """The fit in an index; of units of which nothing is known it says nothing."""
        if index not in self._fits:
            self._fits[index] = self._fit(index)
        return self._fits[index]

    def _fit(self, index: Index) -> AreaFit:
        # Where no result can be carried over to this index, heat alone speaks.
        silent = ~self._speaks(index)
        error = self._guidelines.value("clock.ndf_at_degree_days_sd")
        return fit_area(
            self.stands,
            self.evidence,
            index,
            self._guidelines,
            origin=np.where(silent, self._clock_today, self._newest_clock),
            units=self.units.size,
            weather_known=self.clocks.follows_heat,
            area_ndf=(np.where(silent, self._ndf_of_heat, np.nan), np.where(silent, error, np.nan)),
        )

    def _speaks(self, index: Index) -> Flags:
        """Whether any result of each unit can be read in an index."""
        return np.bincount(
            self.unit_of_result[usable(self.evidence, index)], minlength=self.units.size
        ).astype(np.bool_)

    @cached_property
    def _newest_clock(self) -> Floats:
        """Clock of each unit's newest result."""
        newest = np.full(self.units.size, -np.inf)
        np.maximum.at(newest, self.unit_of_result, self.evidence.clock)
        return newest

    @cached_property
    def _ndf_of_heat(self) -> Floats:
        """NDF of each unit's pure alfalfa today by degree days alone.

        NaN without weather, in regrowth, and so early that coming days are no ordinary ones yet.
        Beyond the published figures their end.
        """
        heat, value = self.clocks.degree_days, self._guidelines.value
        rise = value("daily_change.first.alfalfa.ndf") / value("clock.degree_days_per_day")
        ahead = np.minimum(heat, LAST_DEGREE_DAYS) - NDF_DEGREE_DAYS
        ndf: Floats = value("clock.ndf_at_degree_days") + ahead * rise
        return np.where(heat < FIRST_DEGREE_DAYS, np.nan, ndf)


def _earlier_days(
    fields: FieldTable, members: Ints, unit: Ints, guidelines: GuidelineSet, today: date
) -> Floats:
    """How much further on than its neighbors each field is: soil, slope and, in regrowth, age."""
    lies = list(zip(fields.soil, fields.slope, strict=True))
    by_lie = {lie: _earlier_by_lie(*lie, guidelines) for lie in set(lies)}
    days = np.array([by_lie[lies[at]] for at in members.tolist()], dtype=np.float64)
    # A regrowing field is as far on as it is old; one whose age is unknown counts as a usual one.
    cut_on = fields.cut_on[members]
    known = cut_on != NEVER
    if known.any():
        age = (today.toordinal() - cut_on[known]).astype(np.float64)
        number = np.maximum(np.bincount(unit[known]), 1)
        days[known] += age - (np.bincount(unit[known], weights=age) / number)[unit[known]]
    return days


def _earlier_by_lie(soil: str, slope: str, guidelines: GuidelineSet) -> float:
    value, soil, slope = guidelines.value, soil.casefold(), slope.casefold()
    days = 0.0
    if any(word in soil for word in ("sand", "light", "gravel")):
        days += value("stand_offset.light_soil_days")
    if "south" in slope:
        days += value("stand_offset.south_slope_days")
    if "north" in slope:
        days -= value("stand_offset.north_slope_days")
    return days
