"""Results of an area's reference fields, for everybody to see.

Only fields that were given a public name appear, under that name and a place as coarse as their
farmer let it be told. Nothing else of a farm, a person or a laboratory is read at all.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import floor
from statistics import mean, median

from sqlmodel import Session

from alerts.agronomy import goals
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.names import name_key
from alerts.domain.records import Index, Method
from alerts.services.access.local_days import day_in
from alerts.services.access.scope import NotYours
from alerts.store import fields, public
from alerts.store.public import PublicRow

EXAMPLE_CLASS = "milking_cows"
EXAMPLE_METHOD = "haylage"
EXAMPLE_DAYS = 3.0
"""What the worked sum begins with until a grower puts their own numbers in. Our judgement."""

LEAST_FIELDS = 3
"""From so many fields up a round has a middle and a sum: one field says little of its
neighbours. Our judgement."""

WHOLE_LOAD = 1.0
"""Share of the harvest before the load that must meet the target: the last load."""


@dataclass(frozen=True, slots=True)
class AreaName:
    """An area that publishes results."""

    id: int
    name: str
    slug: str  # as it stands in addresses
    fields: int


@dataclass(frozen=True, slots=True)
class PublicResult:
    """One result; RFV and RFQ in points, NDF in % of dry matter, None where it was not found."""

    id: int  # stays the same when the result is corrected
    field: str
    place: str
    cutting: int
    method: Method
    sampled_on: date
    rfv: float | None
    rfq: float | None
    ndf: float | None
    updated: datetime

    def value(self, index: Index) -> float | None:
        return {Index.RFV: self.rfv, Index.RFQ: self.rfq, Index.NDF: self.ndf}[index]


@dataclass(frozen=True, slots=True)
class ResultFilter:
    """None lets everything through; both days are included."""

    method: Method | None = None
    place: str | None = None
    first: date | None = None
    last: date | None = None

    def holds(self, result: PublicResult) -> bool:
        return (
            (self.method is None or result.method is self.method)
            and (self.place is None or name_key(result.place) == name_key(self.place))
            and (self.first is None or result.sampled_on >= self.first)
            and (self.last is None or result.sampled_on <= self.last)
        )


@dataclass(frozen=True, slots=True)
class AreaResults:
    """An area's results of a season, newest first."""

    area: AreaName
    season: int
    results: tuple[PublicResult, ...]  # those that pass the filter
    places: tuple[str, ...]  # of all results of the season
    methods: tuple[Method, ...]
    updated: datetime | None  # of all

    def indexes(self) -> list[Index]:
        """Indexes that some result is in, the one of most results first."""
        counts = {
            index: sum(one.value(index) is not None for one in self.results) for index in Index
        }
        order = list(Index)
        known = [index for index in order if counts[index]]
        return sorted(known, key=lambda index: (-counts[index], order.index(index)))

    def tag(self, *form: object) -> str:
        """Changes whenever something that is shown does; ``form`` is how it is shown."""
        said = (self.area.name, self.season, self.places, self.methods, self.results, form)
        return hashlib.sha256(repr(said).encode()).hexdigest()[:32]


@dataclass(frozen=True, slots=True)
class Round:
    """A day of sampling one crop, over all fields with a result in an index."""

    index: Index
    cutting: int
    day: date
    fields: int
    low: float
    middle: float  # the median of the fields
    high: float

    @property
    def enough(self) -> bool:
        """Whether the middle says something of the area."""
        return self.fields >= LEAST_FIELDS


@dataclass(frozen=True, slots=True)
class OwnNumbers:
    """What a grower puts into the sum; None: not said."""

    target: float | None = None  # wanted in storage
    loss: float | None = None  # from standing crop to storage
    days: float | None = None  # from the first day of cutting to the last


@dataclass(frozen=True, slots=True)
class WorkedSum:
    """From the area's newest round to a day to start, by the rule of thumb.

    ``start_level`` is what the crop should stand at when the first load is cut.
    """

    round: Round
    target: float
    loss: float
    standing_target: float
    change_per_day: float
    days: float
    start_level: float
    days_to_go: float  # from the day of the round; below 0: already behind
    start_on: date


def area_names(session: Session) -> list[AreaName]:
    """Areas that publish results, by name; no two have the same slug."""
    taken: set[str] = set()
    named = []
    for area in public.areas(session):
        slug = name_key(area.name).replace(" ", "-") or "area"
        if slug in taken:
            slug = f"{slug}-{area.id}"
        taken.add(slug)
        named.append(AreaName(area.id, area.name, slug, area.fields))
    return sorted(named, key=lambda one: one.name.casefold())


def area_results(
    session: Session,
    slug: str,
    wanted: ResultFilter,
    *,
    season_first_day: date,
    now: datetime,
) -> AreaResults:
    """The results of this season that ``wanted`` lets through; NotYours for an unknown area."""
    area = next((one for one in area_names(session) if one.slug == slug), None)
    if area is None:
        raise NotYours("there is no such area; see the list of areas")
    today = day_in(fields.time_zone_of(session, area.id), now)
    rows = public.rows(session, area.id, season_first_day, today)
    everything = _results(session, rows, season_first_day.year)
    return AreaResults(
        area=area,
        season=season_first_day.year,
        results=tuple(filter(wanted.holds, everything)),
        places=tuple(sorted({one.place for one in everything if one.place})),
        methods=tuple(m for m in Method if any(one.method is m for one in everything)),
        updated=max((one.updated for one in everything), default=None),
    )


def _results(session: Session, rows: Sequence[PublicRow], season: int) -> list[PublicResult]:
    first = public.first_versions(session, [row.id for row in rows])
    cuts = public.cut_days(session, {row.field_id for row in rows}, season)
    return [
        PublicResult(
            id=first[row.id],
            field=row.field,
            place=row.place,
            cutting=row.cutting or _cutting(cuts.get(row.field_id, ()), row.sampled_on),
            method=Method(row.method),
            sampled_on=row.sampled_on,
            rfv=_rounded(row.rfv, 0),
            rfq=_rounded(row.rfq, 0),
            ndf=_rounded(row.ndf, 1),
            updated=row.received_at,
        )
        for row in rows
        if not (row.rfv is None and row.rfq is None and row.ndf is None)
    ]


def _cutting(cut_days: Iterable[date], sampled_on: date) -> int:
    """Which crop of the season a sample is of; one of the day of a cut is of the crop cut."""
    return 1 + sum(day < sampled_on for day in cut_days)


def _rounded(value: float | None, places: int) -> float | None:
    return None if value is None else round(value, places)


# ------------------------------------------------------------------------- in words


def newest_rounds(found: AreaResults) -> list[Round]:
    """A round of each index and cutting, the index of most results and the last cutting first.

    It is the newest with enough fields, else the newest.
    """
    return [
        _newest(rounds) for index in found.indexes() for rounds in _rounds(found.results, index)
    ]


def _newest(rounds: Sequence[Round]) -> Round:
    return max(rounds, key=lambda one: (one.enough, one.day))


def _rounds(results: Sequence[PublicResult], index: Index) -> list[list[Round]]:
    """The rounds of each cutting, the last cutting first."""
    values: dict[tuple[int, date], dict[str, list[float]]] = {}
    for one in _laboratory_first(results, index):
        value = one.value(index)
        assert value is not None
        fields = values.setdefault((one.cutting, one.sampled_on), {})
        fields.setdefault(one.field, []).append(value)
    rounds: dict[int, list[Round]] = {}
    for (cutting, day), fields in values.items():
        everything = [value for some in fields.values() for value in some]
        middle = float(median(mean(some) for some in fields.values()))
        low, high = min(everything), max(everything)
        one_round = Round(index, cutting, day, len(fields), low, middle, high)
        rounds.setdefault(cutting, []).append(one_round)
    return [rounds[cutting] for cutting in sorted(rounds, reverse=True)]


def _laboratory_first(results: Sequence[PublicResult], index: Index) -> list[PublicResult]:
    """Results in the index, without stem readings of a field that went to a laboratory that day."""
    known = [one for one in results if one.value(index) is not None]
    sent = {(one.field, one.sampled_on) for one in known if one.method is not Method.STEM}
    return [
        one
        for one in known
        if one.method is not Method.STEM or (one.field, one.sampled_on) not in sent
    ]


def worked_sum(
    found: AreaResults, own: OwnNumbers, guidelines: GuidelineSet, index: Index | None = None
) -> WorkedSum | None:
    """The sum that turns a round of the last cutting with enough fields into a day to start.

    None where no cutting has enough of them yet.

    It is the rule of thumb: standing target, plus what the crop loses while the harvest lasts,
    against the newest value and a usual change a day of pure alfalfa.
    """
    rounds = newest_rounds(found)
    chosen = next((one for one in rounds if one.enough and index in (None, one.index)), None)
    if chosen is None:
        return None
    unit, falls = chosen.index, chosen.index.falls
    usual = guidelines.feed_target(EXAMPLE_CLASS, unit)
    target = own.target if own.target is not None else float(usual or chosen.middle)
    given = own.loss is not None
    loss = own.loss if given else guidelines.value(f"handling_loss.{EXAMPLE_METHOD}.{unit}")
    assert loss is not None
    days = EXAMPLE_DAYS if own.days is None else own.days
    crop = "first" if chosen.cutting == 1 else "second"
    change = guidelines.value(f"daily_change.{crop}.alfalfa.{unit}")
    standing = float(goals.standing_target(target, loss, falls=falls))
    level = float(goals.start_quality(standing, days, change, share=WHOLE_LOAD, falls=falls))
    sign = 1.0 if falls else -1.0
    to_go = round(sign * (chosen.middle - level) / change, 1)
    start_on = chosen.day + timedelta(days=floor(to_go))
    return WorkedSum(chosen, target, loss, standing, change, days, level, to_go, start_on)
