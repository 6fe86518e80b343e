"""The clock of an area: degree days where its weather is known, the calendar elsewhere.

Degree days hold for the first cutting only (published rule); regrowth runs on the calendar.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alerts.agronomy.clock import future_clock, ordinary_days
from alerts.agronomy.growth import degree_days_f
from alerts.agronomy.scale import Floats
from alerts.domain.guidelines import GuidelineSet


@dataclass(frozen=True, slots=True)
class DailyHeat:
    """Daily temperatures of an area, in order of date; arrays of shape (days,).

    day : day number
    tmax_f, tmin_f : [F], observed or, for coming days, forecast
    """

    day: NDArray[np.intp]
    tmax_f: Floats
    tmin_f: Floats


@dataclass(frozen=True, slots=True)
class AreaClock:
    """Clock of each morning from long before today to the horizon.

    day, since, sd : as in ``ClockPath``, on an absolute clock [ordinary days]
    degree_days : accumulated over 41 F up to today since the season began [F-days]; NaN where the
        weather is not known from the beginning
    follows_heat : False for the calendar
    """

    day: Floats
    clock: Floats
    sd: Floats
    degree_days: float
    follows_heat: bool

    def at(self, day: ArrayLike) -> Floats:
        """Expected clock of these mornings, fractions of days between them."""
        when = np.asarray(day, dtype=np.float64)
        inside = np.interp(when, self.day, self.clock)
        before = np.minimum(when - self.day[0], 0.0)
        after = np.maximum(when - self.day[-1], 0.0)
        clock: Floats = inside + before + after
        return clock

    def sd_since(self, day: ArrayLike, origin: float, stray: float) -> Floats:
        """How far the clock may be off on these mornings, seen from clock ``origin``.

        ``stray`` [ordinary days over one day] grows with the root of the days since; what a
        forecast leaves open comes on top.
        """
        ahead = np.maximum(self.at(day) - origin, 0.0)
        weather = np.interp(np.asarray(day, dtype=np.float64), self.day, self.sd)
        both: Floats = np.hypot(weather, stray * np.sqrt(ahead))
        return both


@dataclass(frozen=True, slots=True)
class AreaClocks:
    """The clocks of many areas ("units") over the same mornings.

    day : consecutive day numbers, shape (days,)
    clock, sd : as in ``AreaClock``, shape (units, days)
    degree_days : shape (units,)
    follows_heat : shape (units,)

    Below, ``unit`` numbers the area that each value is asked of; it and the values are broadcast
    against each other.
    """

    day: Floats
    clock: Floats
    sd: Floats
    degree_days: Floats
    follows_heat: NDArray[np.bool_]

    @classmethod
    def of(cls, clocks: Sequence[AreaClock]) -> Self:
        """One or more clocks; ValueError where their mornings are not the same."""
        day = clocks[0].day
        if not all(np.array_equal(clock.day, day) for clock in clocks[1:]):
            raise ValueError("the clocks of areas looked at together must run over the same days")
        return cls(
            day=day,
            clock=np.stack([clock.clock for clock in clocks]),
            sd=np.stack([clock.sd for clock in clocks]),
            degree_days=np.array([clock.degree_days for clock in clocks]),
            follows_heat=np.array([clock.follows_heat for clock in clocks]),
        )

    def at(self, unit: ArrayLike, day: ArrayLike) -> Floats:
        """Expected clock of these mornings, fractions of days between them; one ordinary day a day
        beyond the first and last."""
        before, part, beyond = self._place(day)
        start = np.asarray(unit) * self.day.size + before
        clock: Floats = _between(self.clock, start, part) + beyond
        return clock

    def sd_since(
        self, unit: ArrayLike, day: ArrayLike, origin: ArrayLike, stray: ArrayLike
    ) -> Floats:
        """How far the clocks may be off on these mornings, see ``AreaClock.sd_since``."""
        return self.ahead(unit, day, origin, stray)[1]

    def ahead(
        self, unit: ArrayLike, day: ArrayLike, origin: ArrayLike, stray: ArrayLike
    ) -> tuple[Floats, Floats]:
        """Expected clock since ``origin``, and how far it may be off."""
        before, part, beyond = self._place(day)
        start = np.asarray(unit) * self.day.size + before
        since: Floats = _between(self.clock, start, part) + beyond - np.asarray(origin, np.float64)
        off = np.square(stray) * np.maximum(since, 0.0)
        if self.sd.any():
            off += np.square(_between(self.sd, start, part))
        return since, np.sqrt(off)

    def _place(self, day: ArrayLike) -> tuple[NDArray[np.intp], Floats, Floats]:
        """Morning before each day, the part of a day since, and days beyond the ends."""
        along = np.asarray(day, dtype=np.float64) - self.day[0]
        inside = np.clip(along, 0.0, self.day.size - 1.0)
        # The last morning is reached from the one before it.
        before = np.minimum(inside.astype(np.intp), max(self.day.size - 2, 0))
        return before, inside - before, along - inside

    def day_at(self, unit: ArrayLike, clock: ArrayLike) -> Floats:
        """When the expected clocks show ``clock``: the inverse of :meth:`at`."""
        shown = np.asarray(clock, dtype=np.float64)
        row = np.broadcast_to(np.asarray(unit), shown.shape)
        first, last = self.clock[:, 0].take(row), self.clock[:, -1].take(row)
        if not self.follows_heat.any():
            return np.asarray(shown - first + self.day[0])
        inside = np.clip(shown, first, last)
        # One search for all: the rows behind each other, each lifted above the one before.
        lift = np.cumsum(np.concatenate([[0.0], self.clock[:-1, -1] - self.clock[1:, 0] + 1.0]))
        all_rows = (self.clock + lift[:, None]).ravel()
        found = np.searchsorted(all_rows, inside + lift.take(row), side="right") - 1
        start = row * self.day.size
        start = np.clip(found, start, start + max(self.day.size - 2, 0))
        flat = self.clock.ravel()
        low = flat.take(start)
        step = flat.take(start + min(1, self.day.size - 1)) - low
        part = (inside - low) / np.where(step > 0.0, step, 1.0)
        day: Floats = self.day.take(start % self.day.size) + part + (shown - inside)
        return day


def _between(rows: Floats, start: NDArray[np.intp], part: Floats) -> Floats:
    """Values between two mornings by a straight line; ``start`` numbers the earlier one in all
    ``rows`` behind each other."""
    flat = rows.ravel()
    low = flat.take(start)
    if rows.shape[1] > 1 and part.any():
        low += part * (flat.take(start + 1) - low)
    return low


def calendar_clock(first: int, last: int) -> AreaClock:
    """One ordinary day a day. How springs differ in pace is then part of the rate's spread."""
    day = np.arange(first, last + 1, dtype=np.float64)
    return AreaClock(day, day.copy(), np.zeros_like(day), float("nan"), follows_heat=False)


def heat_clock(
    heat: DailyHeat | None,
    guidelines: GuidelineSet,
    *,
    season: int,
    today: int,
    first: int,
    last: int,
) -> AreaClock:
    """The degree-day clock of an area, or the calendar where no weather is known.

    Parameters
    ----------
    heat : the area's temperatures; None or empty: not known
    season, today, first, last : day numbers; the clock runs from ``first`` to ``last``, degree days
        count from ``season``

    Notes
    -----
    Days without temperatures count as ordinary ones. After the forecast, ordinary days follow, with
    the spread of the climate.
    """
    if heat is None or not heat.day.size or not (heat.day < today).any():
        return calendar_clock(first, last)
    begin = min(first, int(heat.day[0]))
    days = np.arange(begin, last + 1)
    tmax, tmin = np.full(days.size, np.nan), np.full(days.size, np.nan)
    inside = (heat.day >= begin) & (heat.day <= last)
    tmax[heat.day[inside] - begin] = heat.tmax_f[inside]
    tmin[heat.day[inside] - begin] = heat.tmin_f[inside]
    per_day = guidelines.value("clock.degree_days_per_day")
    here = today - begin
    known = ordinary_days(days[: here + 1], tmax[: here + 1], tmin[: here + 1], per_day)
    coming = np.asarray(degree_days_f(tmax[here:], tmin[here:]), dtype=np.float64)
    mean, sd = future_clock(float(known[-1]), coming, per_day, last - today, per_day_f=per_day)
    keep = first - begin
    return AreaClock(
        day=days[keep:].astype(np.float64),
        clock=np.concatenate([known, mean])[keep:],
        sd=np.concatenate([np.zeros(known.size), sd])[keep:],
        degree_days=_degree_days(days, tmax, tmin, season, today),
        follows_heat=True,
    )


def _degree_days(
    days: NDArray[np.intp], tmax: Floats, tmin: Floats, season: int, today: int
) -> float:
    """Sum since the season's first day; NaN when more than a few days of it are missing."""
    counted = (days >= season) & (days < today)
    heat = np.asarray(degree_days_f(tmax[counted], tmin[counted]), dtype=np.float64)
    missing = np.isnan(heat).sum() + max(0, int(days[0]) - season)
    return float("nan") if missing > MISSING_DAYS else float(np.nansum(heat))


MISSING_DAYS = 5
"""More unknown days than this and a sum of degree days says too little."""
