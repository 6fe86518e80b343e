"""Farms with equally many open fields, of one or more areas, put together all at once.

What is numbers only: arrays begin with the farms, then their fields. The words and records made of
them are ``domain.outlook``'s.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from alerts.agronomy.scale import Floats, from_scale
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
from alerts.domain.area_clock import AreaClocks
from alerts.domain.area_fit import AreaFit, Evidence, Stands
from alerts.domain.farm_lines import FarmLines

Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]

CHANCES = EARLY, MEDIAN, LATE = 0.1, 0.5, 0.9
"""Ends and middle of the 80 % range of a start date."""

Z80 = 1.2815515655446004
"""Half width of a normal 80 % range in standard deviations."""

FIELD_DAYS_AT_ONCE = 60_000
"""Fields times days worked on at a time: fewer are slower, more only take more memory."""


class Group(Protocol):
    """Fields of one or more areas on one cutting.

    stands : the fields and the area ("unit") of each
    clocks : of the areas
    stray : how far each area's clock strays in a day, shape (units,) [ordinary days]
    evidence : results of the fields
    """

    @property
    def stands(self) -> Stands: ...

    @property
    def clocks(self) -> AreaClocks: ...

    @property
    def stray(self) -> Floats: ...

    @property
    def evidence(self) -> Evidence: ...


@dataclass(frozen=True, slots=True)
class Starts:
    """Start dates; the arrays begin with as many axes as what they are of, written ``...``.

    quantiles : days of ``EARLY``, ``MEDIAN``, ``LATE``, shape (..., 3)
    within_notice : chance that the start date falls on or before today + notice, shape (...)
    waiting : chance that starting so many days from now misses, shape (..., days)
    load : standing quality, then, of the load that must meet the target, shape (..., days)
    """

    quantiles: Ints
    within_notice: Floats
    waiting: Floats
    load: Floats


class FarmBatch:
    """Farms with n open fields each, of one cutting and in one index.

    Parameters
    ----------
    group, fit : the areas' fields of that cutting, and their fit in that index
    places : positions of their fields in the group, shape (farms, n)
    own_days : days that harvesting each field takes, shape (farms, n) [d]
    target : standing target of each farm on the scale, shape (farms,)
    notice_days : how long before each farm wants to know, shape (farms,) [d, whole]
    average : farms whose crop must meet the target on average, not each load, shape (farms,)
    today : day number
    days_shown : days of the outlook, today included

    Attributes
    ----------
    order : the farms' fields in harvest order, shape (farms, n)
    sampled : whether a field has results of its own, shape (farms, n)
    """

    def __init__(
        self,
        group: Group,
        fit: AreaFit,
        *,
        places: Ints,
        own_days: Floats,
        target: Floats,
        notice_days: ArrayLike,
        average: ArrayLike,
        today: int,
        days_shown: int,
    ) -> None:
        self.group, self.fit, self.places, self.own_days = group, fit, places, own_days
        self.target = np.asarray(target, dtype=np.float64)
        self.notice: Ints = np.asarray(notice_days, dtype=np.intp)
        self.average: Flags = np.asarray(average, dtype=np.bool_)
        self.today, self.coming = today, today + np.arange(days_shown, dtype=np.float64)
        self.falls = fit.index.falls
        sampled = np.zeros(group.stands.unit.size, dtype=np.bool_)
        sampled[group.evidence.field[fit.used]] = True
        self.sampled: Flags = sampled[places]
        self.unit: Ints = group.stands.unit[places[:, 0]]
        self.lines = FarmLines.of(fit.posterior, places, self.sampled, list(self._chunks(2)))
        self.median_due = self._median_due()
        self.due = self._spread()
        # Rounded, so that like fields tie and keep their given order.
        self.order: Ints = np.argsort(self.median_due.round(6), axis=1, kind="stable")

    def _chunks(self, days: int) -> Iterator[slice]:
        """Some farms at a time, whose fields have ``days`` numbers each."""
        farms, fields = self.places.shape
        at_once = max(1, FIELD_DAYS_AT_ONCE // (fields * days))
        for first in range(0, farms, at_once):
            yield slice(first, min(first + at_once, farms))

    def _ahead(self, unit: Ints, day: Floats) -> tuple[Floats, Floats]:
        """Clock since c0 and how far it may be off; ``unit`` of shape (farms,), ``day`` of
        (farms, days) or (n, farms, days)."""
        units = unit[:, None]
        origin, stray = self.fit.origin.take(units), self.group.stray.take(units)
        return self.group.clocks.ahead(units, day, origin, stray)

    def _reader(self, unit: Ints) -> Ahead:
        return partial(self._ahead, unit)

    def _median_due(self) -> Floats:
        """Median day on which each field meets its target, shape (farms, n)."""
        units = self.unit[:, None]
        needed = (self.target[:, None] - self.lines.shown.level) / self.lines.shown.rate
        return self.group.clocks.day_at(units, needed + self.fit.origin.take(units))

    def _spread(self) -> Spread:
        """About where that day lies, shape (farms, n)."""
        units, day = self.unit[:, None], self.median_due
        first, last = self.group.clocks.day[[0, -1]]
        since, off = self._ahead(self.unit, np.clip(day, first, last))
        # The past is known.
        walk = np.where(since > 0.0, self.group.stray.take(units), 0.0)
        loose = np.sqrt(np.maximum(off * off - walk * walk * since, 0.0))
        ends = (
            self.lines.counted.meeting(self.target[:, None], away, loose, walk)
            for away in (Z80, -Z80)
        )
        origin, longest = self.fit.origin.take(units), last - first
        early, late = (
            np.abs(self.group.clocks.day_at(units, np.clip(end, -longest, longest) + origin) - day)
            for end in ends
        )
        return Spread(day, early / Z80, late / Z80)

    # ------------------------------------------------------------------- starts

    def farm_starts(self) -> Starts:
        """Of whole farms, their fields harvested in order."""
        return self._in_chunks(self._farms)

    def field_starts(self) -> Starts:
        """Of each field by itself."""
        found = self._in_chunks(self._fields)
        shape = self.places.shape
        return Starts(
            quantiles=found.quantiles.reshape(*shape, -1),
            within_notice=found.within_notice.reshape(shape),
            waiting=found.waiting.reshape(*shape, -1),
            load=found.load.reshape(*shape, -1),
        )

    def farm_dates(self) -> Ints:
        """The quantiles of :meth:`farm_starts` alone, shape (farms, 3)."""
        dates = np.empty((self.unit.size, 3), dtype=np.intp)
        for some in self._chunks(3):
            for lot in self._farms(some):
                dates[lot.at] = _day_of(self._moments(lot.loads))
        return dates

    def _in_chunks(self, loads_of: Callable[[slice], Iterator[_Lot]]) -> Starts:
        """Starts of what ``loads_of`` makes of some farms at a time."""
        rows = self.places.size if loads_of == self._fields else self.unit.size
        shown = self.coming.size
        found = Starts(
            quantiles=np.empty((rows, 3), dtype=np.intp),
            within_notice=np.empty(rows),
            waiting=np.empty((rows, shown)),
            load=np.empty((rows, shown)),
        )
        for some in self._chunks(self._columns()):
            for lot in loads_of(some):
                at, one = lot.at, self._starts(lot)
                found.quantiles[at], found.within_notice[at] = one.quantiles, one.within_notice
                found.waiting[at], found.load[at] = one.waiting, one.load
        return found

    def _starts(self, lot: _Lot) -> Starts:
        days = self.today + np.arange(self._columns(), dtype=np.float64)
        away, middle = lot.loads.seen(np.broadcast_to(days, (lot.at.size, days.size)))
        missing = np.maximum.accumulate(chance_of_missing(away), axis=1)
        within = np.take_along_axis(missing, lot.notice[:, None] + 1, axis=1)[:, 0]
        waiting = missing[:, : self.coming.size]
        load = np.maximum.accumulate(middle[:, : self.coming.size], axis=1)
        target = lot.target[:, None]
        # Both tell of one thing, and half the chance is where the middle is the target.
        load = np.where(waiting > MEDIAN, np.maximum(load, target), np.minimum(load, target))
        return Starts(
            quantiles=self._days(self._moments(lot.loads), waiting),
            within_notice=within,
            waiting=waiting,
            load=from_scale(load, falls=self.falls),
        )

    def _columns(self) -> int:
        """Days worked out: those shown, and on to the end of the longest notice."""
        return max(self.coming.size, int(self.notice.max(initial=0)) + 2)

    def _moments(self, loads: Loads) -> Floats:
        first, last = (float(end) for end in self.group.clocks.day[[0, -1]])
        return start_moments(loads, CHANCES, first - 1.0, last + 1.0)

    def _days(self, moments: Floats, waiting: Floats) -> Ints:
        """Days that the moments lie in: a morning is either early enough or not. In the days shown
        it is the chance of missing that decides, so that both say the same."""
        early_enough = (waiting[:, None, :] <= np.array(CHANCES)[:, None]).sum(axis=2)
        latest = self.today + early_enough - 1.0
        low = np.where(early_enough > 0, latest, -np.inf)
        high = np.where(early_enough < self.coming.size, latest, np.inf)
        days: Ints = np.clip(_day_of(moments), low, high).astype(np.intp)
        return days

    # --------------------------------------------------------------------- lots

    def _fields(self, some: slice) -> Iterator[_Lot]:
        """Fields of some farms, each by itself."""
        fields = self.own_days.shape[1]
        own = self.own_days[some] * np.where(self.average[some], 0.5, 1.0)[:, None]
        unit, notice = (np.repeat(of_farm[some], fields) for of_farm in (self.unit, self.notice))
        target = np.repeat(self.target[some], fields)
        shape = 1, unit.size
        harvest = Harvest(
            lines=self.lines.counted[some].reshape(*shape),
            after=own.reshape(shape),
            target=target,
            due=_of(self.due, lambda part: part[some].reshape(shape)),
            ahead=self._reader(unit),
        )
        at = np.arange(some.start * fields, some.stop * fields)
        yield _Lot(at, LoadsTogether(harvest), target, notice)

    def _farms(self, some: slice) -> Iterator[_Lot]:
        """Some farms, those alike in how their fields hang together at a time."""
        sampled, average = self.sampled[some], self.average[some]
        alike = (sampled.sum(axis=1) <= 1) | (sampled.shape[1] == 1)
        whole = sampled.all(axis=1)
        for chosen, make in (
            (average, self._average),
            (~average & alike, self._together),
            (~average & ~alike & whole, self._last),
            (~average & ~alike & ~whole, self._last_of_mixed),
        ):
            if chosen.any():
                at = some.start + np.flatnonzero(chosen)
                yield _Lot(at, make(at), self.target[at], self.notice[at])

    def _harvest(self, at: Ints, *, half: bool = False) -> Harvest:
        """Of farms, to the end of each field's own days or to the ``half`` of them."""
        order = self.order[at]
        days = np.take_along_axis(self.own_days[at], order, axis=1)
        done = np.cumsum(days, axis=1) - (days / 2 if half else 0.0)
        after = np.empty_like(done)
        np.put_along_axis(after, order, done, axis=1)
        return Harvest(
            lines=self.lines.counted[at].transposed(),
            after=np.ascontiguousarray(after.T),
            target=self.target[at],
            due=_of(self.due, lambda part: np.ascontiguousarray(part[at].T)),
            ahead=self._reader(self.unit[at]),
        )

    def _together(self, at: Ints) -> Loads:
        return LoadsTogether(self._harvest(at))

    def _last(self, at: Ints) -> Loads:
        return LastLoads(self._harvest(at), self.lines.cov[at])

    def _last_of_mixed(self, at: Ints) -> Loads:
        return LastLoads(self._harvest(at), self.lines.cov[at], ~self.sampled[at].T)

    def _average(self, at: Ints) -> Loads:
        days = self.own_days[at].T
        total = days.sum(axis=0)
        share = np.where(total > 0, days / np.where(total > 0, total, 1.0), 1.0 / days.shape[0])
        return AverageLoads(self._harvest(at, half=True), share, self.lines.cov[at])

    # ------------------------------------------------------------------- curves

    def _curve(self, day: Floats) -> tuple[Floats, Floats]:
        """Mean and standard deviation of each field's standing quality on these days, on the scale;
        shape (farms, n, days)."""
        # One clock serves all fields of a farm.
        since, off = (part[:, None] for part in self._ahead(self.unit, day))
        lines = self.lines.shown
        level_var, both, rate_var, rate = (
            part[:, :, None]
            for part in (lines.level_var, lines.both_cov, lines.rate_var, lines.rate)
        )
        var = level_var + since * (2 * both + since * rate_var) + np.square(rate * off)
        return lines.level[:, :, None] + rate * since, np.sqrt(var)

    def meets_today(self) -> Floats:
        """Chance that each standing crop still meets its target today, shape (farms, n)."""
        today = np.full((self.unit.size, 1), float(self.today))
        mean, sd = (part[:, :, 0] for part in self._curve(today))
        chance: Floats = ndtr((self.target[:, None] - mean) / sd)
        return chance

    def days_ahead(self) -> Floats:
        """Median, low and high end of each day's standing quality, shape (farms, n, days, 3)."""
        mean, sd = self._curve(np.broadcast_to(self.coming, (self.unit.size, self.coming.size)))
        found = np.empty((*mean.shape, 3))
        found[..., 0] = from_scale(mean, falls=self.falls)
        sd *= -Z80 if not self.falls else Z80
        found[..., 1] = from_scale(mean + sd, falls=self.falls)
        found[..., 2] = from_scale(mean - sd, falls=self.falls)
        return found

    def sample_worth(self, sample_on: ArrayLike, clip_sd: float) -> Floats:
        """Days by which one clip on a day would narrow the 80 % range of what is known of each
        field itself, also where it is counted with others until then; shape (farms, n).

        ``sample_on`` is one day for all farms, or one a farm; ``clip_sd`` the error of the clip
        [scale units].
        """
        clip = np.broadcast_to(np.asarray(sample_on, dtype=np.float64), self.unit.shape)
        lines, rate = self.lines.itself, self.lines.shown.rate
        unit = self.unit[:, None]
        due, due_off = self._ahead(self.unit, self.median_due.round(6))
        then, then_off = self._ahead(self.unit, np.broadcast_to(clip[:, None], unit.shape))
        # The clock's straying until the earlier of the two days moves both.
        both_off = np.square(rate * np.minimum(due_off, then_off))
        before = lines.level_var + due * (2 * lines.both_cov + due * lines.rate_var)
        before += np.square(rate * due_off)
        clipped = lines.level_var + then * (2 * lines.both_cov + then * lines.rate_var)
        clipped += np.square(rate * then_off)
        tied = lines.level_var + (due + then) * lines.both_cov + due * then * lines.rate_var
        tied += both_off
        learnt = np.square(tied) / (clipped + clip_sd**2 + self.fit.visit_sd**2)
        narrower = np.sqrt(before) - np.sqrt(np.maximum(before - learnt, 0.0))
        worth: Floats = 2 * Z80 * narrower / rate
        return worth


def _day_of(moments: Floats) -> Floats:
    """A start within a day is that day's, since a morning is either early enough or not."""
    day: Floats = np.floor(moments + 1e-9)
    return day


def _of(days: Spread, change: Callable[[Floats], Floats]) -> Spread:
    return Spread(*(change(part) for part in (days.middle, days.early, days.late)))


@dataclass(frozen=True, slots=True)
class _Lot:
    """Farms or fields put together at once.

    at : where they stand in the answer
    loads : what counts of each
    target, notice : of each, see ``FarmBatch``
    """

    at: Ints
    loads: Loads
    target: Floats
    notice: Ints
