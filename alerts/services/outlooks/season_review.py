"""Looking back: how good was what the farmers were told?

Compared are the date told and the day of the cut, and the quality expected on that day and the
standing target. Nobody samples what lies in the windrow, so the quality is that of the outlook as
it stood, and its range says how sure that is.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from itertools import groupby
from statistics import median, quantiles

from sqlmodel import Session

from alerts.domain.cut_record import KnownAtCut
from alerts.domain.records import Index
from alerts.services.access import scope
from alerts.services.access.links import Visitor
from alerts.store import cuts
from alerts.store.cuts import RecordedCut
from alerts.store.tables import Person


class Standing(StrEnum):
    """How the crop stood on the day of the cut, as far as its 80 % range tells."""

    ABOVE = "above"  # the whole range meets the target
    NEAR = "near"  # the target lies within the range
    BELOW = "below"  # the whole range misses it
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class FieldReview:
    """One field and cutting."""

    area: str
    farm_id: int
    farm: str
    field: str
    season: int
    cutting: int
    cut_on: date
    known: KnownAtCut

    @property
    def days_off(self) -> int | None:
        """Days from the field's own latest start, as told, to its cut; below 0: before it."""
        told = self.known.told_field_start
        return None if told is None else (self.cut_on - told).days

    @property
    def margin(self) -> float | None:
        """Expected quality less the standing target, positive = better [index units]."""
        expected, target = self.known.expected, self.known.standing_target
        if expected is None or target is None:
            return None
        return round(expected - target if Index(self.known.index).falls else target - expected, 1)

    @property
    def standing(self) -> Standing:
        low, high = self.known.expected_low, self.known.expected_high
        target = self.known.standing_target
        if low is None or high is None or target is None:
            return Standing.UNKNOWN
        worst, best = (low, high) if Index(self.known.index).falls else (-high, -low)
        goal = target if Index(self.known.index).falls else -target
        if worst >= goal:
            return Standing.ABOVE
        return Standing.BELOW if best < goal else Standing.NEAR


@dataclass(frozen=True, slots=True)
class FarmReview:
    """A farm and cutting: its fields in the order in which they were cut."""

    farm_id: int
    farm: str
    area: str
    cutting: int
    fields: tuple[FieldReview, ...]

    @property
    def first_cut(self) -> date:
        return self.fields[0].cut_on

    @property
    def told_start(self) -> date | None:
        return self.fields[0].known.told_start

    @property
    def days_off(self) -> int | None:
        """Days from the farm's start date, as told, to its first cut; below 0: before it."""
        return None if self.told_start is None else (self.first_cut - self.told_start).days

    @property
    def notice_days(self) -> int | None:
        """Days from the first word about the date to the first cut."""
        first = self.fields[0].known.first_told_on
        return None if first is None else (self.first_cut - first).days

    @property
    def told_in_time(self) -> bool:
        """A start date was told before it had passed, and before the mower went out."""
        first, start = self.fields[0].known.first_told_on, self.told_start
        return first is not None and start is not None and first <= min(start, self.first_cut)


@dataclass(frozen=True, slots=True)
class AreaReview:
    """An area and cutting, over its farms."""

    area: str
    cutting: int
    farms: tuple[FarmReview, ...]

    @property
    def fields(self) -> list[FieldReview]:
        return [field for farm in self.farms for field in farm.fields]

    @property
    def days_off(self) -> list[int]:
        return [farm.days_off for farm in self.farms if farm.days_off is not None]

    @property
    def median_days_off(self) -> float | None:
        return float(median(self.days_off)) if self.days_off else None

    @property
    def middle_half(self) -> tuple[float, float] | None:
        """Between which days off the middle half of the farms lies; None below four farms."""
        if len(self.days_off) < 4:
            return None
        low, _, high = quantiles(self.days_off, n=4, method="inclusive")
        return low, high

    @property
    def told_in_time(self) -> int:
        return sum(farm.told_in_time for farm in self.farms)

    def count(self, standing: Standing | str) -> int:
        """Fields that stood so on the day of their cut."""
        return sum(field.standing == standing for field in self.fields)

    @property
    def recorded_late(self) -> int:
        return sum(field.known.outlook_is_later for field in self.fields)


@dataclass(frozen=True, slots=True)
class SeasonReview:
    season: int
    seasons: tuple[int, ...]  # that can be looked back at, newest first
    areas: tuple[AreaReview, ...]
    fields_without_cut: int  # open fields that are left out, since nobody recorded a cut

    @property
    def fields(self) -> list[FieldReview]:
        return [field for area in self.areas for field in area.fields]


def review_season(
    session: Session, visitor: Visitor, season: int | None, *, this_season: int
) -> SeasonReview:
    """The season's cuts within the visitor's scope; None: the newest season with a cut."""
    farm_ids = scope.farm_ids(session, visitor)
    seasons = cuts.seasons_of_farms(session, farm_ids)
    chosen = season if season is not None else next(iter(seasons), this_season)
    reviews = [_field(one) for one in cuts.cuts_of_farms(session, farm_ids, chosen)]
    open_ones = cuts.fields_without_cut(session, farm_ids) if chosen == this_season else 0
    return SeasonReview(chosen, tuple(seasons), _areas(reviews), open_ones)


def _field(recorded: RecordedCut) -> FieldReview:
    cut, field, farm, area = recorded
    return FieldReview(
        area=area.name,
        farm_id=farm.id or 0,
        farm=farm.name,
        field=field.name,
        season=cut.season,
        cutting=cut.cutting,
        cut_on=cut.cut_on,
        known=KnownAtCut.of_json({"index": farm.index, **cut.detail}),
    )


def _areas(reviews: Sequence[FieldReview]) -> tuple[AreaReview, ...]:
    ordered = sorted(reviews, key=lambda one: (one.area, one.cutting, one.farm, one.farm_id))
    return tuple(
        AreaReview(area, cutting, tuple(_farms(group)))
        for (area, cutting), group in groupby(ordered, key=lambda one: (one.area, one.cutting))
    )


def _farms(reviews: Iterable[FieldReview]) -> Iterable[FarmReview]:
    for farm_id, group in groupby(reviews, key=lambda one: one.farm_id):
        fields = sorted(group, key=lambda one: (one.cut_on, one.field))
        first = fields[0]
        yield FarmReview(farm_id, first.farm, first.area, first.cutting, tuple(fields))


def farmer_language(session: Session, visitor: Visitor) -> str:
    """The language of the farmer whose link it is; "" of anybody else's."""
    if visitor.farm_id is None:
        return ""
    farm = scope.require_farm(session, visitor, visitor.farm_id)
    return session.get_one(Person, farm.farmer_id).language
