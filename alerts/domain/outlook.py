"""From areas' results to the start date of each field and farm.

This is where published numbers (guidelines), what is known (snapshot) and the arithmetic (agronomy)
meet. All fields of an area on the same cutting learn from each other (``area_fit``); each farm's
fields are then put together, with what they share, into one start date. Many areas are worked out
at once; none of them learns from another.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import chain
from math import ceil
from typing import NamedTuple

import numpy as np

from alerts.agronomy import goals
from alerts.agronomy.scale import to_scale
from alerts.domain.area_clock import AreaClock, calendar_clock, heat_clock
from alerts.domain.area_fit import on_scale
from alerts.domain.area_group import AreaGroup
from alerts.domain.days_ahead import DayAhead, DaysAhead
from alerts.domain.farm_batch import FarmBatch, Flags, Starts
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.newest import NewestResults
from alerts.domain.records import Index, WhichLoad
from alerts.domain.snapshot import AreaPlan, FarmPlan, Snapshot, share_days

HORIZON_DAYS = 75
"""How far ahead a start date is looked for; beyond it, the season says nothing yet."""

LOOK_BACK_DAYS = 45
"""A start date may already lie behind; further back than this it is only 'long past'."""

DAYS_SHOWN = 15
"""Days of the outlook kept for pages and emails, today included."""

NEXT_SAMPLE_DAYS = 3
"""Days to the next clip where nobody says when it is: two clips a week."""


# A morning makes these by the hundred thousand, and a frozen one takes four times as long to make.
# Nobody changes one: a new one is made by `dataclasses.replace`.


@dataclass(slots=True)
class StartDates:
    """A start date with its 80 % range; None: later than the horizon."""

    p10: date | None
    median: date | None
    p90: date | None
    chance_within_notice: float  # that the start date falls on or before today + notice
    waiting: Sequence[float]  # chance that starting k days from now misses, k = 0, 1, ...
    load: Sequence[float] = ()  # standing quality, then, of the load that must meet the target


@dataclass(slots=True)
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
    days: Sequence[DayAhead]
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
    snapshot: Snapshot,
    guidelines: GuidelineSet,
    today: date,
    sample_on: Sequence[date | None] = (),
) -> tuple[FarmOutlook, ...]:
    """Outlook of every farm about which its area's results, or heat, say anything, in order.

    ``sample_on`` is each area's next sampling day, None where nobody says it, for what a clip then
    would be worth.
    """
    usual = today + timedelta(days=NEXT_SAMPLE_DAYS)
    days = [day or usual for day in sample_on or [None] * len(snapshot.areas)]
    return tuple(_Look(snapshot, guidelines, today, days).outlooks())


class _Harvest(NamedTuple):
    """What a farm's crew has to cut next: its fields of the earliest cutting."""

    farm: int  # position in Snapshot.farms
    members: tuple[int, ...]  # positions in Snapshot.fields
    under_way: bool


class _Kind(NamedTuple):
    """Farms of a kind are put together at once."""

    cutting: int
    wanted: Index
    fields: int


class _Look:
    """Areas on one day."""

    def __init__(
        self,
        snapshot: Snapshot,
        guidelines: GuidelineSet,
        today: date,
        sample_on: Sequence[date],
    ) -> None:
        self.snapshot, self.guidelines, self.today = snapshot, guidelines, today
        self.sample_on = np.array([day.toordinal() for day in sample_on], dtype=np.intp)
        harvest_days = np.array([farm.harvest_days for farm in snapshot.farms], dtype=np.float64)
        fields = snapshot.fields
        self.own_days = share_days(harvest_days, fields.farm, fields.acres)
        # A start on the horizon is judged by the loads that follow it.
        after = ceil(harvest_days.max(initial=0.0)) + 1
        self._last = today.toordinal() + HORIZON_DAYS + after
        oldest = int(snapshot.results.day.min(initial=today.toordinal()))
        self._first = min(today.toordinal() - LOOK_BACK_DAYS, oldest)

    def outlooks(self) -> Iterator[FarmOutlook]:
        """Those of all farms of which something is known, in the farms' order."""
        kinds: dict[_Kind, list[_Harvest]] = {}
        for cutting, harvest in self._harvests():
            wanted = self.snapshot.farms[harvest.farm].index
            kind = _Kind(cutting, wanted, len(harvest.members))
            kinds.setdefault(kind, []).append(harvest)
        groups = {cutting: self._group(cutting) for cutting in {kind.cutting for kind in kinds}}
        found: dict[int, FarmOutlook] = {}
        for kind, harvests in kinds.items():
            group = groups[kind.cutting]
            known = frozenset(group.units[group.knows(kind.wanted)].tolist())
            area = self.snapshot.area
            some = [harvest for harvest in harvests if int(area[harvest.farm]) in known]
            if some:
                made = _Records(self, group, kind, some).outlooks()
                found |= zip((harvest.farm for harvest in some), made, strict=True)
        return (found[farm] for farm in sorted(found))

    def _harvests(self) -> Iterator[tuple[int, _Harvest]]:
        """The cutting and the fields of each farm's harvest."""
        by_farm: dict[int, list[int]] = {}
        for place, farm in enumerate(self.snapshot.fields.farm.tolist()):
            by_farm.setdefault(farm, []).append(place)
        cuttings: list[int] = self.snapshot.fields.cutting.tolist()
        for farm, places in sorted(by_farm.items()):
            # Fields already cut are on a later cutting; the crew's present harvest is the earliest.
            cutting = min(cuttings[place] for place in places)
            members = tuple(place for place in places if cuttings[place] == cutting)
            yield cutting, _Harvest(farm, members, under_way=len(members) < len(places))

    def _group(self, cutting: int) -> AreaGroup:
        clock = self._heat_clock if cutting == 1 else self._calendar
        return AreaGroup(self.snapshot, self.guidelines, self.today, cutting, clock)

    def _calendar(self, area: AreaPlan) -> AreaClock:
        return calendar_clock(self._first, self._last)

    def _heat_clock(self, area: AreaPlan) -> AreaClock:
        """Degree days where the weather is known; else the calendar."""
        return heat_clock(
            area.heat,
            self.guidelines,
            season=self.snapshot.season_first_day.toordinal(),
            today=self.today.toordinal(),
            first=self._first,
            last=self._last,
        )


class _Records:
    """The outlooks of farms of a kind, made of the numbers of their batch."""

    def __init__(
        self, look: _Look, group: AreaGroup, kind: _Kind, harvests: Sequence[_Harvest]
    ) -> None:
        self.look, self.group, self.kind, self.harvests = look, group, kind, harvests
        self.farms = [look.snapshot.farms[harvest.farm] for harvest in harvests]
        self.targets = [standing_target(farm) for farm in self.farms]
        self.members = np.array([harvest.members for harvest in harvests], dtype=np.intp)
        self.places = np.searchsorted(group.members, self.members)
        self.unit = group.stands.unit[self.places[:, 0]]
        self.enough = look.guidelines.value("alerts.fields_for_area")
        self.today = look.today.toordinal()
        self.fit = group.fit(kind.wanted)
        self.batch = FarmBatch(
            group,
            self.fit,
            places=self.places,
            own_days=look.own_days[self.members],
            target=to_scale(np.array(self.targets), falls=kind.wanted.falls),
            notice_days=np.array([farm.notice_days for farm in self.farms], dtype=np.intp),
            average=np.array([farm.which_load is WhichLoad.AVERAGE for farm in self.farms]),
            today=self.today,
            days_shown=DAYS_SHOWN,
        )

    def outlooks(self) -> Iterator[FarmOutlook]:
        """In the order of the farms."""
        fields, size = self._fields(), self.members.shape[1]
        starts = _dates(self.batch.farm_starts(), self.today)
        rough = self._are_rough().tolist()
        follows_heat = self.group.clocks.follows_heat[self.unit].tolist()
        for number, order in enumerate(self.batch.order.tolist()):
            yield FarmOutlook(
                farm=self.farms[number],
                cutting=self.kind.cutting,
                start=starts[number],
                fields=tuple(fields[number * size + at] for at in order),
                under_way=self.harvests[number].under_way,
                rough=rough[number],
                follows_heat=follows_heat[number],
            )

    def _are_rough(self) -> Flags:
        """No result of a farm, and too few of its neighbors to speak for the area."""
        sampled = np.unique(self.group.evidence.field[self.fit.used])
        number = np.bincount(self.group.stands.unit[sampled], minlength=self.group.units.size)
        rough: Flags = ~self.batch.sampled.any(axis=1) & (number[self.unit] < self.enough)
        return rough

    def _fields(self) -> list[FieldOutlook]:
        """Farm after farm, each one's fields as ``members`` has them."""
        index, table = self.kind.wanted, self.look.snapshot.fields
        wanted = NewestResults(self.look.snapshot, self.group, index, self.enough)
        clip = on_scale(self.look.guidelines[f"result_sd.nir.{index}"], index)
        sample_on = self.look.sample_on[self.group.units[self.unit]]
        days = self.batch.days_ahead().round(2)
        shape = -1, days.shape[2]
        change = np.abs(days[:, :, 1, 0] - days[:, :, 0, 0])
        size = self.members.shape[1]
        return [
            FieldOutlook(
                field_id=field_id,
                name=table.name[member],
                cutting=self.kind.cutting,
                index=index,
                standing_target=target,
                results=newest.own,
                last_on=newest.on,
                last_value=newest.value,
                last_index=None if newest.told_in is index else newest.told_in,
                stands_in=newest.stands_in,
                change_per_day=change_per_day,
                own_days=own_days,
                start=start,
                days=DaysAhead(self.look.today, median, low, high),
                meets_today=meets_today,
                sample_worth_days=worth,
                is_area=newest.is_area,
                area_fields=newest.area_fields,
            )
            for (
                field_id,
                member,
                target,
                newest,
                change_per_day,
                own_days,
                start,
                median,
                low,
                high,
                meets_today,
                worth,
            ) in zip(
                table.id[self.members].ravel().tolist(),
                self.members.ravel().tolist(),
                np.repeat(self.targets, size).tolist(),
                chain.from_iterable(wanted.of_farms(self.places)),
                change.ravel().tolist(),
                self.look.own_days[self.members].ravel().tolist(),
                _dates(self.batch.field_starts(), self.today),
                *(days[..., which].reshape(shape).tolist() for which in range(3)),
                self.batch.meets_today().round(4).ravel().tolist(),
                self.batch.sample_worth(sample_on, clip).round(2).ravel().tolist(),
                strict=True,
            )
        ]


def _dates(starts: Starts, today: int) -> list[StartDates]:
    """One for each farm or field, in order."""
    width = starts.waiting.shape[-1]
    first, beyond = today - LOOK_BACK_DAYS, today + HORIZON_DAYS + 1
    told = [date.fromordinal(day) for day in range(first, beyond)]
    days: list[date | None] = [*told, None]
    return [
        StartDates(days[early], days[middle], days[late], within, waiting, load)
        for (early, middle, late), within, waiting, load in zip(
            (np.clip(starts.quantiles, first, beyond) - first).reshape(-1, 3).tolist(),
            starts.within_notice.reshape(-1).round(4).tolist(),
            starts.waiting.reshape(-1, width).round(4).tolist(),
            starts.load.reshape(-1, width).round(2).tolist(),
            strict=True,
        )
    ]
