"""Fields of an area that learn from each other: those on one cutting, and what is known of them."""

from __future__ import annotations

from datetime import date

import numpy as np
from numpy.typing import NDArray

from alerts.domain.area_clock import AreaClock, AreaClocks
from alerts.domain.area_fit import AreaFit, Evidence, Stands, clock_stray, fit_area
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index
from alerts.domain.snapshot import AreaSnapshot, FieldPlan

NDF_DEGREE_DAYS = 680.0
"""Degree days over 41 F at which the guidelines' NDF of an alfalfa stand holds [F-days]."""

FIRST_DEGREE_DAYS = NDF_DEGREE_DAYS / 2
"""Before, nothing is told from heat alone: coming days count as ordinary ones of May, and in March
that would call the date weeks early [F-days]."""

LAST_DEGREE_DAYS = 970.0
"""Up to here NDF was published by degree days [F-days]: Thomas, C., about 2010, Use growing degree
days to time first cutting."""


class AreaGroup:
    """The fields of an area that are on one cutting, with their fits by index.

    members : positions of these fields in ``AreaSnapshot.fields``, rising
    clock : the area's clock for this cutting; ``clocks`` holds it alone
    stray : how far that clock strays in a day, see ``area_fit.clock_stray``, shape (1,)
    evidence : results of these fields; ``Evidence.field`` is a position in ``members``
    """

    def __init__(
        self,
        snapshot: AreaSnapshot,
        guidelines: GuidelineSet,
        today: date,
        cutting: int,
        clock: AreaClock,
    ) -> None:
        self.members = np.array(
            [i for i, field in enumerate(snapshot.fields) if field.cutting == cutting],
            dtype=np.intp,
        )
        self.clock, self.clocks = clock, AreaClocks.of([clock])
        self.stray = np.array([clock_stray(guidelines, weather_known=clock.follows_heat)])
        chosen = [snapshot.fields[i] for i in self.members]
        self.stands = Stands(
            unit=np.zeros(len(chosen), dtype=np.intp),
            cutting=np.full(len(chosen), cutting, dtype=np.intp),
            grass_pct=np.array([field.grass_pct for field in chosen]),
            earlier_days=_earlier_days(chosen, guidelines, today),
        )
        self._guidelines = guidelines
        self._clock_today = float(clock.at(today.toordinal()))
        self.evidence = self._evidence(snapshot)
        self._fits: dict[Index, AreaFit | None] = {}

    def _evidence(self, snapshot: AreaSnapshot) -> Evidence:
        results = snapshot.results
        place = np.full(len(snapshot.fields), -1, dtype=np.intp)
        place[self.members] = np.arange(self.members.size)
        # A result that speaks no index must not move the origin either.
        speaks = np.isfinite([results.rfv, results.rfq, results.ndf]).any(axis=0)
        mine = (place[results.field] >= 0) & speaks
        return Evidence(
            field=place[results.field[mine]],
            day=results.day[mine],
            clock=self.clock.at(results.day[mine]),
            rfv=results.rfv[mine],
            rfq=results.rfq[mine],
            ndf=results.ndf[mine],
            kind=results.kind[mine],
            late=results.late[mine],
        )

    @property
    def is_sampled(self) -> bool:
        """Whether any field of the group has a result that speaks an index."""
        return self.evidence.day.size > 0

    @property
    def origin(self) -> float:
        """Clock at which levels hold: the newest result's."""
        return float(self.evidence.clock.max()) if self.is_sampled else self._clock_today

    def fit(self, index: Index) -> AreaFit | None:
        """The fit in an index; None where neither results nor heat say anything."""
        if index not in self._fits:
            self._fits[index] = self._fit(index)
        return self._fits[index]

    def _fit(self, index: Index) -> AreaFit | None:
        if self.is_sampled:
            fit = self._fit_from(self.origin, index)
            if fit.used.any():
                return fit
        # No result, or none that can be carried over to this index.
        ndf = self._ndf_of_heat()
        if np.isnan(ndf):
            return None
        error = self._guidelines.value("clock.ndf_at_degree_days_sd")
        return self._fit_from(self._clock_today, index, (ndf, error))

    def _fit_from(
        self, origin: float, index: Index, area_ndf: tuple[float, float] | None = None
    ) -> AreaFit:
        return fit_area(
            self.stands,
            self.evidence,
            index,
            self._guidelines,
            origin=origin,
            weather_known=self.clock.follows_heat,
            area_ndf=area_ndf,
        )

    def _ndf_of_heat(self) -> float:
        """NDF of pure alfalfa today by degree days alone; NaN without weather, in regrowth, and so
        early that coming days are no ordinary ones yet. Beyond the published figures their end."""
        heat = self.clock.degree_days
        if np.isnan(heat) or heat < FIRST_DEGREE_DAYS:
            return float("nan")
        value = self._guidelines.value
        rise = value("daily_change.first.alfalfa.ndf") / value("clock.degree_days_per_day")
        ahead = min(heat, LAST_DEGREE_DAYS) - NDF_DEGREE_DAYS
        return value("clock.ndf_at_degree_days") + ahead * rise


def _earlier_days(
    fields: list[FieldPlan], guidelines: GuidelineSet, today: date
) -> NDArray[np.float64]:
    """How much further on than its neighbors each field is: soil, slope and, in regrowth, age."""
    value = guidelines.value
    days = np.zeros(len(fields))
    for at, field in enumerate(fields):
        soil, slope = field.soil.casefold(), field.slope.casefold()
        if any(word in soil for word in ("sand", "light", "gravel")):
            days[at] += value("stand_offset.light_soil_days")
        if "south" in slope:
            days[at] += value("stand_offset.south_slope_days")
        if "north" in slope:
            days[at] -= value("stand_offset.north_slope_days")
    # A regrowing field is as far on as it is old; one whose age is unknown counts as a usual one.
    ages = {
        at: (today - field.cut_on).days
        for at, field in enumerate(fields)
        if field.cut_on is not None
    }
    for at, age in ages.items():
        days[at] += age - sum(ages.values()) / len(ages)
    return days
