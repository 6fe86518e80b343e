"""From an area's results to the start date of each field and farm.

This is where published numbers (guidelines), what is known (snapshot) and the arithmetic (agronomy)
meet. All fields of an area on the same cutting learn from each other (``area_fit``); each farm's
fields are then put together, with what they share, into one start date.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from itertools import permutations
from math import ceil

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from alerts.agronomy import goals, start_dates
from alerts.agronomy.harvest import due_order
from alerts.agronomy.scale import Floats, from_scale, to_scale
from alerts.agronomy.start_dates import SLOWEST_SHARE, ClockPath
from alerts.domain.area_clock import AreaClock, calendar_clock, heat_clock
from alerts.domain.area_fit import AreaFit, on_scale
from alerts.domain.area_group import AreaGroup
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.newest import NewestResults
from alerts.domain.records import Index, WhichLoad
from alerts.domain.snapshot import AreaSnapshot, FarmPlan, share_days

HORIZON_DAYS = 75
"""How far ahead a start date is looked for; beyond it, the season says nothing yet."""

LOOK_BACK_DAYS = 45
"""A start date may already lie behind; further back than this it is only 'long past'."""

DAYS_SHOWN = 15
"""Days of the outlook kept for pages and emails, today included."""

EARLY, MEDIAN, LATE = 0.1, 0.5, 0.9
"""Ends and middle of the 80 % range of a start date."""

Z80 = 1.2815515655446004
"""Half width of a normal 80 % range in standard deviations."""

NEXT_SAMPLE_DAYS = 3
"""Days to the next clip where nobody says when it is: two clips a week."""


@dataclass(frozen=True, slots=True)
class StartDates:
    """A start date with its 80 % range; None: later than the horizon."""

    p10: date | None
    median: date | None
    p90: date | None
    chance_within_notice: float  # that the start date falls on or before today + notice
    waiting: tuple[float, ...]  # chance that starting k days from now misses, k = 0, 1, ...
    load: tuple[float, ...] = ()  # standing quality, then, of the load that must meet the target


@dataclass(frozen=True, slots=True)
class DayAhead:
    """Standing quality on one day: median and 80 % range [index units]."""

    day: date
    median: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class FieldOutlook:
    """One field.

    ``last_on`` and ``last_value`` are of its newest own result in the farm's index, else of its
    farm's, else the middle of the area's, see ``newest``. ``stands_in`` says whose results these
    are when they are not its own. A field without a sample on a farm that has some goes with the
    sampled ones, in its dates and its days as in the farm's.
    """

    field_id: int
    name: str
    cutting: int
    index: Index
    standing_target: float
    results: int  # the field's own, in the farm's index
    last_on: date | None
    last_value: float | None
    stands_in: str  # name of the field or area whose results stand in for it; "" for its own
    change_per_day: float  # expected fall (RFV, RFQ) or rise (NDF) a day from today
    own_days: float
    start: StartDates
    days: tuple[DayAhead, ...]
    meets_today: float  # chance that the standing crop still meets the target today
    last_index: Index | None = None  # of last_value, where it is not the farm's own index
    sample_worth_days: float = 0.0  # by how much a clip on the next sampling day narrows the range
    is_area: bool = False  # stands_in names the area
    area_fields: int = 0  # fields of which last_value is the middle; 0: no value of the area


@dataclass(frozen=True, slots=True)
class FarmOutlook:
    """A farm's fields of one cutting in harvest order, and the day to start with the first."""

    farm: FarmPlan
    cutting: int
    start: StartDates
    fields: tuple[FieldOutlook, ...]
    under_way: bool = False  # another field of the farm was already cut: the harvest has begun
    rough: bool = False  # no result of the farm, and too few others: never enough to speak
    follows_heat: bool = False  # the clock is degree days, not the calendar

    @property
    def harvest_days(self) -> float:
        """Days that cutting what still stands takes."""
        if not self.under_way:
            return self.farm.harvest_days
        return round(sum(field.own_days for field in self.fields), 6)

    @property
    def tightest(self) -> FieldOutlook:
        """The field to start with: due first."""
        return self.fields[0]


def standing_target(farm: FarmPlan) -> float:
    """Feed target plus handling loss (minus, for NDF) [index units]."""
    return float(
        goals.standing_target(farm.feed_target, farm.handling_loss, falls=farm.index.falls)
    )


def look_ahead(
    snapshot: AreaSnapshot, guidelines: GuidelineSet, today: date, sample_on: date | None = None
) -> tuple[FarmOutlook, ...]:
    """Outlook of every farm about which the area's results, or its heat, say anything.

    ``sample_on`` is the next sampling day, for what a clip then would be worth.
    """
    area = _Area(snapshot, guidelines, today, sample_on or today + timedelta(days=NEXT_SAMPLE_DAYS))
    farms = (area.farm_outlook(position) for position in range(len(snapshot.farms)))
    return tuple(farm for farm in farms if farm is not None)


class _Area:
    """One area on one day."""

    def __init__(
        self, snapshot: AreaSnapshot, guidelines: GuidelineSet, today: date, sample_on: date
    ) -> None:
        self.snapshot, self.guidelines, self.today = snapshot, guidelines, today
        self.sample_on = sample_on
        self._groups: dict[int, AreaGroup] = {}
        self._by_farm: dict[int, list[int]] = {}
        for place, field in enumerate(snapshot.fields):
            self._by_farm.setdefault(field.farm, []).append(place)

    def clock(self, cutting: int) -> AreaClock:
        """Degree days for the first cutting where the weather is known; else the calendar."""
        first = self.today.toordinal() - LOOK_BACK_DAYS
        oldest = self.snapshot.results.day
        if oldest.size:
            first = min(first, int(oldest.min()))
        # A start on the horizon is judged by the loads that follow it.
        longest = max((farm.harvest_days for farm in self.snapshot.farms), default=0.0)
        last = self.today.toordinal() + HORIZON_DAYS + ceil(longest) + 1
        if cutting != 1:
            return calendar_clock(first, last)
        return heat_clock(
            self.snapshot.heat,
            self.guidelines,
            season=self.snapshot.season_first_day.toordinal(),
            today=self.today.toordinal(),
            first=first,
            last=last,
        )

    def group(self, cutting: int) -> AreaGroup:
        if cutting not in self._groups:
            self._groups[cutting] = AreaGroup(
                self.snapshot, self.guidelines, self.today, cutting, self.clock(cutting)
            )
        return self._groups[cutting]

    def farm_outlook(self, position: int) -> FarmOutlook | None:
        open_fields = self._by_farm.get(position, [])
        if not open_fields:
            return None
        fields = self.snapshot.fields
        # Fields already cut are on a later cutting; the crew's present harvest is the earliest one.
        cutting = min(fields[i].cutting for i in open_fields)
        group = self.group(cutting)
        farm = self.snapshot.farms[position]
        fit = group.fit(farm.index)
        if fit is None:
            return None
        shares = share_days(farm, [fields[i] for i in open_fields])
        members = [i for i in open_fields if fields[i].cutting == cutting]
        own_days = np.array([shares[open_fields.index(i)] for i in members])
        return _Farm(self, group, fit, farm, members, own_days).outlook(
            under_way=len(members) < len(open_fields)
        )


@dataclass(frozen=True, slots=True)
class _Draws:
    """Points of the posterior of a farm's fields; shapes (draws, fields) and (draws,)."""

    level: Floats
    rate: Floats
    weather: Floats
    due: Floats


class _Farm:
    """Putting a farm's fields together."""

    def __init__(
        self,
        area: _Area,
        group: AreaGroup,
        fit: AreaFit,
        farm: FarmPlan,
        members: list[int],
        own_days: Floats,
    ) -> None:
        self.area, self.group, self.fit, self.farm = area, group, fit, farm
        self.members, self.own_days = members, own_days
        self.places = np.searchsorted(group.members, members)
        self.target = float(to_scale(standing_target(farm), falls=farm.index.falls))
        self.today = area.today.toordinal()
        posterior = fit.posterior
        own_mean, self.own_cov = posterior.joint(self.places)
        prior_level = posterior.fields.level[self.places]
        self.prior_rate = posterior.fields.rate[self.places]
        self.path: ClockPath = group.clock.path(fit.origin, group.stray)
        self.sampled = np.isin(self.places, group.evidence.field[fit.used])
        goes_with = self._goes_with()
        lines = np.kron(goes_with, np.eye(2))
        mean, cov = lines @ own_mean, self._cov_together()
        self.cov = lines @ cov @ lines.T
        self.mean_level = prior_level + mean[0::2]
        self.mean_rate = self.prior_rate * np.maximum(1.0 + mean[1::2], SLOWEST_SHARE)
        level, rate, weather = start_dates.draw_lines(own_mean, cov)
        self.draws = self._draw(prior_level, level @ goes_with.T, rate @ goes_with.T, weather)
        self.newest = NewestResults(
            area.snapshot,
            group,
            self.places,
            farm.index,
            area.guidelines.value("alerts.fields_for_area"),
        )

    def _draw(
        self, prior_level: Floats, above_level: Floats, above_rate: Floats, weather: Floats
    ) -> _Draws:
        level = prior_level + above_level
        rate = self.prior_rate * np.maximum(1.0 + above_rate, SLOWEST_SHARE)
        goal = np.full(self.places.size, self.target)
        due = start_dates.due_days(level, rate, goal, weather, self.path)
        return _Draws(level, rate, weather, due)

    def _goes_with(self) -> Floats:
        """Share of each field's sample in what is believed of each field, shape (fields, fields).

        Every field must meet its target, so one that may be a week ahead or a week behind, for all
        anybody knows, would pull the date forward by its mere uncertainty. An unsampled field
        therefore goes with the sampled ones of its farm, but for what its stand is known to
        change. It is shown as it is counted.
        """
        share = np.eye(self.sampled.size)
        if self.sampled.any():
            share[~self.sampled] = self.sampled / self.sampled.sum()
        return share

    def _cov_together(self) -> Floats:
        """Covariance of the fields' lines; where none of the farm is sampled, its fields differ
        from their area together, for the same reason."""
        cov = self.own_cov.copy()
        if self.sampled.any():
            return cov
        own = self.fit.posterior.own_cov[self.places]
        for one, other in permutations(range(self.places.size), 2):
            cov[2 * one : 2 * one + 2, 2 * other : 2 * other + 2] += own[one]
        return cov

    def outlook(self, *, under_way: bool) -> FarmOutlook:
        order = due_order(self._due())
        return FarmOutlook(
            farm=self.farm,
            cutting=self.area.snapshot.fields[self.members[0]].cutting,
            start=self.start(order),
            fields=tuple(self.field(int(at)) for at in order),
            under_way=under_way,
            rough=self._is_rough(),
            follows_heat=self.group.clock.follows_heat,
        )

    def _due(self) -> Floats:
        """Median day on which each field meets its target, rounded so that like fields tie."""
        level, rate = self.mean_level[None, :], self.mean_rate[None, :]
        goal = np.full(len(self.members), self.target)
        due: Floats = start_dates.due_days(level, rate, goal, np.zeros(1), self.path)[0].round(6)
        return due

    def _is_rough(self) -> bool:
        """No result of this farm, and too few of its neighbors to speak for the area."""
        sampled = np.unique(self.group.evidence.field[self.fit.used])
        enough = self.area.guidelines.value("alerts.fields_for_area")
        return bool(not self.sampled.any() and sampled.size < enough)

    def start(self, order: NDArray[np.intp]) -> StartDates:
        """Start date of these fields, harvested in this order."""
        days = self.own_days[order]
        done = np.cumsum(days)
        level, rate = self.draws.level[:, order], self.draws.rate[:, order]
        weather, coming = self.draws.weather, self.today + np.arange(DAYS_SHOWN)
        if self.farm.which_load is WhichLoad.LAST:
            starts = start_dates.last_load_starts(self.draws.due[:, order], done)
            load = start_dates.last_load_values(level, rate, coming, done, weather, self.path)
            return self._dates(starts, load)
        share = days / days.sum() if days.sum() > 0 else np.full(days.size, 1.0 / days.size)
        middle, target = done - days / 2, np.full(order.size, self.target)
        return self._dates(
            start_dates.average_starts(level, rate, target, share, middle, weather, self.path),
            start_dates.average_values(level, rate, coming, share, middle, weather, self.path),
        )

    def _dates(self, starts: Floats, load: Floats) -> StartDates:
        """``load`` on the scale, shape (draws, days)."""
        notice = self.today + self.farm.notice_days + 1
        waiting = start_dates.chance_too_late(starts, self.today + np.arange(DAYS_SHOWN))
        loads = from_scale(np.median(load, axis=0), falls=self.farm.index.falls)
        return StartDates(
            p10=self._date(starts, EARLY),
            median=self._date(starts, MEDIAN),
            p90=self._date(starts, LATE),
            chance_within_notice=round(
                float(start_dates.chance_too_late(starts, [float(notice)])[0]), 4
            ),
            waiting=tuple(round(float(chance), 4) for chance in waiting),
            load=tuple(round(float(value), 2) for value in loads),
        )

    def _date(self, starts: Floats, chance: float) -> date | None:
        day = start_dates.start_quantile(starts, chance)
        if day > self.today + HORIZON_DAYS:
            return None
        return date.fromordinal(max(day, self.today - LOOK_BACK_DAYS))

    # ------------------------------------------------------------------- fields

    def field(self, at: int) -> FieldOutlook:
        plan = self.area.snapshot.fields[self.members[at]]
        days = self._days_ahead(at)
        newest = self.newest.of(int(self.places[at]))
        return FieldOutlook(
            field_id=plan.id,
            name=plan.name,
            cutting=plan.cutting,
            index=self.farm.index,
            standing_target=standing_target(self.farm),
            results=newest.own,
            last_on=newest.on,
            last_value=newest.value,
            last_index=None if newest.index is self.farm.index else newest.index,
            stands_in=newest.stands_in,
            change_per_day=abs(days[1].median - days[0].median),
            own_days=float(self.own_days[at]),
            start=self.start(np.array([at], dtype=np.intp)),
            days=days,
            meets_today=self._meets_today(at),
            sample_worth_days=self._sample_worth(at),
            is_area=newest.is_area,
            area_fields=newest.area_fields,
        )

    def _curve(self, at: int, day: Floats) -> tuple[Floats, Floats]:
        """Mean and standard deviation of the field's standing quality on the scale."""
        since = self.group.clock.at(day) - self.fit.origin
        ahead = self.prior_rate[at] * since
        cov = self.cov[2 * at : 2 * at + 2, 2 * at : 2 * at + 2]
        var = cov[0, 0] + 2 * ahead * cov[0, 1] + ahead**2 * cov[1, 1]
        loose = self.group.clock.sd_since(day, self.fit.origin, self.group.stray)
        var = var + np.square(self.mean_rate[at] * loose)
        return self.mean_level[at] + self.mean_rate[at] * since, np.sqrt(var)

    def _meets_today(self, at: int) -> float:
        mean, sd = self._curve(at, np.array([float(self.today)]))
        return round(float(ndtr((self.target - mean[0]) / sd[0])), 4)

    def _days_ahead(self, at: int) -> tuple[DayAhead, ...]:
        days = [self.area.today + timedelta(days=k) for k in range(DAYS_SHOWN)]
        mean, sd = self._curve(at, np.array([float(day.toordinal()) for day in days]))
        falls = self.farm.index.falls
        middle, one, other = (
            from_scale(value, falls=falls) for value in (mean, mean - Z80 * sd, mean + Z80 * sd)
        )
        low, high = np.minimum(one, other), np.maximum(one, other)
        return tuple(
            DayAhead(day, *(round(float(v), 2) for v in values))
            for day, *values in zip(days, middle, low, high, strict=True)
        )

    def _sample_worth(self, at: int) -> float:
        """Days by which one NIR clip on the next sampling day would narrow the 80 % range of what
        is known of the field itself, also where it is counted with others until then."""
        guidelines, index, clock = self.area.guidelines, self.farm.index, self.group.clock
        cov = self.own_cov[2 * at : 2 * at + 2, 2 * at : 2 * at + 2]
        days = np.array([self._due()[at], float(self.area.sample_on.toordinal())])
        ahead = self.prior_rate[at] * (clock.at(days) - self.fit.origin)
        line = np.stack([np.ones(2), ahead], axis=1)
        # The clock's straying until the earlier of the two days moves both.
        strays = self.mean_rate[at] * clock.sd_since(days, self.fit.origin, self.group.stray)
        joint = line @ cov @ line.T + np.minimum.outer(strays, strays) ** 2
        error = np.square(
            [on_scale(guidelines[f"result_sd.nir.{index}"], index), self.fit.visit_sd]
        ).sum()
        before = float(joint[0, 0])
        learnt = float(joint[0, 1]) ** 2 / (float(joint[1, 1]) + float(error))
        narrower = np.sqrt(before) - np.sqrt(max(before - learnt, 0.0))
        return round(2 * Z80 * float(narrower) / float(self.mean_rate[at]), 2)
