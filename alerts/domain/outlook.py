"""From an area's results to the start date of each field and farm.

This is where published numbers (guidelines), what is known (snapshot) and the arithmetic (agronomy)
meet. All fields of an area on the same cutting learn from each other (``area_fit``); each farm's
fields are then put together, with what they share, into one start date.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil
from typing import NamedTuple

import numpy as np

from alerts.agronomy import goals
from alerts.agronomy.scale import to_scale
from alerts.domain.area_clock import AreaClock, calendar_clock, heat_clock
from alerts.domain.area_fit import AreaFit, on_scale
from alerts.domain.area_group import AreaGroup
from alerts.domain.farm_batch import FarmBatch, Starts
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.newest import Newest, NewestResults
from alerts.domain.records import Index, WhichLoad
from alerts.domain.snapshot import AreaSnapshot, FarmPlan, share_days

HORIZON_DAYS = 75
"""How far ahead a start date is looked for; beyond it, the season says nothing yet."""

LOOK_BACK_DAYS = 45
"""A start date may already lie behind; further back than this it is only 'long past'."""

DAYS_SHOWN = 15
"""Days of the outlook kept for pages and emails, today included."""

FIELDS_AT_ONCE = 100
"""Fields of farms that are put together at once: more only take more memory."""

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
    return tuple(area.outlooks())


@dataclass(frozen=True, slots=True)
class _Harvest:
    """What a farm's crew has to cut next: its fields of the earliest cutting."""

    position: int  # in AreaSnapshot.farms
    farm: FarmPlan
    cutting: int
    members: tuple[int, ...]  # positions in AreaSnapshot.fields
    own_days: tuple[float, ...]
    under_way: bool


class _Kind(NamedTuple):
    """Farms of a kind are put together at once."""

    cutting: int
    wanted: Index
    fields: int


class _Area:
    """One area on one day."""

    def __init__(
        self, snapshot: AreaSnapshot, guidelines: GuidelineSet, today: date, sample_on: date
    ) -> None:
        self.snapshot, self.guidelines, self.today = snapshot, guidelines, today
        self.sample_on = sample_on
        self._groups: dict[int, AreaGroup] = {}

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

    def outlooks(self) -> list[FarmOutlook]:
        """Those of all farms of which something is known, in the farms' order."""
        kinds: dict[_Kind, list[_Harvest]] = {}
        for harvest in self._harvests():
            kind = _Kind(harvest.cutting, harvest.farm.index, len(harvest.members))
            kinds.setdefault(kind, []).append(harvest)
        found: dict[int, FarmOutlook] = {}
        for kind, harvests in kinds.items():
            group = self.group(kind.cutting)
            fit = group.fit(kind.wanted)
            if fit is None:
                continue
            at_once = max(1, FIELDS_AT_ONCE // kind.fields)
            for first in range(0, len(harvests), at_once):
                some = harvests[first : first + at_once]
                made = _Records(self, group, fit, some).outlooks()
                found |= zip((harvest.position for harvest in some), made, strict=True)
        return [found[position] for position in sorted(found)]

    def _harvests(self) -> Iterator[_Harvest]:
        by_farm: dict[int, list[int]] = {}
        for place, field in enumerate(self.snapshot.fields):
            by_farm.setdefault(field.farm, []).append(place)
        fields = self.snapshot.fields
        for position, places in sorted(by_farm.items()):
            farm = self.snapshot.farms[position]
            # Fields already cut are on a later cutting; the crew's present harvest is the earliest.
            cutting = min(fields[i].cutting for i in places)
            shares = share_days(farm, [fields[i] for i in places]).tolist()
            mine = [k for k, i in enumerate(places) if fields[i].cutting == cutting]
            yield _Harvest(
                position,
                farm,
                cutting,
                members=tuple(places[k] for k in mine),
                own_days=tuple(shares[k] for k in mine),
                under_way=len(mine) < len(places),
            )


class _Records:
    """The outlooks of farms of a kind, made of the numbers of their batch."""

    def __init__(
        self, area: _Area, group: AreaGroup, fit: AreaFit, harvests: Sequence[_Harvest]
    ) -> None:
        self.area, self.group, self.fit, self.harvests = area, group, fit, harvests
        self.today, index = area.today.toordinal(), fit.index
        targets = [standing_target(harvest.farm) for harvest in harvests]
        members = np.array([harvest.members for harvest in harvests], dtype=np.intp)
        self.batch = FarmBatch(
            group,
            fit,
            places=np.searchsorted(group.members, members),
            own_days=np.array([harvest.own_days for harvest in harvests]),
            target=to_scale(np.array(targets), falls=index.falls),
            notice_days=np.array([harvest.farm.notice_days for harvest in harvests]),
            average=np.array(
                [harvest.farm.which_load is WhichLoad.AVERAGE for harvest in harvests]
            ),
            today=self.today,
            days_shown=DAYS_SHOWN,
        )
        clip = on_scale(area.guidelines[f"result_sd.nir.{index}"], index)
        worth = self.batch.sample_worth(area.sample_on.toordinal(), clip)
        self.targets = targets
        self.worth: list[list[float]] = worth.round(2).tolist()
        self.meets: list[list[float]] = self.batch.meets_today().round(4).tolist()
        self.days: list[list[list[list[float]]]] = self.batch.days_ahead().round(2).tolist()
        self.shown = [area.today + timedelta(days=k) for k in range(DAYS_SHOWN)]
        self.of_farms = _dates(self.batch.farm_starts(), self.today)
        shape = members.shape
        of_fields = _dates(self.batch.field_starts(), self.today)
        self.of_fields = [of_fields[k * shape[1] : (k + 1) * shape[1]] for k in range(shape[0])]

    def outlooks(self) -> list[FarmOutlook]:
        return [self._outlook(number) for number in range(len(self.harvests))]

    def _outlook(self, number: int) -> FarmOutlook:
        harvest = self.harvests[number]
        places = self.batch.places[number]
        enough = self.area.guidelines.value("alerts.fields_for_area")
        newest = NewestResults(self.area.snapshot, self.group, places, harvest.farm.index, enough)
        return FarmOutlook(
            farm=harvest.farm,
            cutting=harvest.cutting,
            start=self.of_farms[number],
            fields=tuple(
                self._field(number, at, newest.of(int(places[at])))
                for at in self.batch.order[number].tolist()
            ),
            under_way=harvest.under_way,
            rough=self._is_rough(number, enough),
            follows_heat=self.group.clock.follows_heat,
        )

    def _is_rough(self, number: int, enough: float) -> bool:
        """No result of this farm, and too few of its neighbors to speak for the area."""
        if self.batch.sampled[number].any():
            return False
        return np.unique(self.group.evidence.field[self.fit.used]).size < enough

    def _field(self, number: int, at: int, newest: Newest) -> FieldOutlook:
        harvest = self.harvests[number]
        plan = self.area.snapshot.fields[harvest.members[at]]
        days = tuple(
            DayAhead(day, *values)
            for day, values in zip(self.shown, self.days[number][at], strict=True)
        )
        return FieldOutlook(
            field_id=plan.id,
            name=plan.name,
            cutting=plan.cutting,
            index=harvest.farm.index,
            standing_target=self.targets[number],
            results=newest.own,
            last_on=newest.on,
            last_value=newest.value,
            last_index=None if newest.index is harvest.farm.index else newest.index,
            stands_in=newest.stands_in,
            change_per_day=abs(days[1].median - days[0].median),
            own_days=harvest.own_days[at],
            start=self.of_fields[number][at],
            days=days,
            meets_today=self.meets[number][at],
            sample_worth_days=self.worth[number][at],
            is_area=newest.is_area,
            area_fields=newest.area_fields,
        )


def _dates(starts: Starts, today: int) -> list[StartDates]:
    """One for each farm or field, in order."""
    quantiles = starts.quantiles.reshape(-1, 3).tolist()
    width = starts.waiting.shape[-1]
    waiting = starts.waiting.reshape(-1, width).round(4).tolist()
    load = starts.load.reshape(-1, width).round(2).tolist()
    within = starts.within_notice.reshape(-1).round(4).tolist()
    return [
        StartDates(
            p10=_date(early, today),
            median=_date(middle, today),
            p90=_date(late, today),
            chance_within_notice=within[k],
            waiting=tuple(waiting[k]),
            load=tuple(load[k]),
        )
        for k, (early, middle, late) in enumerate(quantiles)
    ]


def _date(day: int, today: int) -> date | None:
    if day > today + HORIZON_DAYS:
        return None
    return date.fromordinal(max(day, today - LOOK_BACK_DAYS))
