"""From an area's results to the start date of each field and farm.

This is where published numbers (guidelines), what is known (snapshot) and the arithmetic (agronomy)
meet. One pass computes all fields of an area as arrays; farms are then put together one by one.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from alerts.agronomy import goals, harvest
from alerts.agronomy.projection import Lines, fit_lines
from alerts.agronomy.scale import Floats, from_scale, points_to_scale, to_scale
from alerts.domain.guidelines import CUTTINGS, STANDS, Guideline, GuidelineSet
from alerts.domain.records import Index, Method, WhichLoad
from alerts.domain.snapshot import AreaSnapshot, FarmPlan, FieldPlan, ResultTable

HORIZON_DAYS = 75
"""How far ahead a start date is looked for; beyond it, the season says nothing yet."""

LOOK_BACK_DAYS = 45
"""A start date may already lie behind; further back than this it is only 'long past'."""

DAYS_SHOWN = 15
"""Days of the outlook kept for pages and emails, today included."""

LOW, MEDIAN, HIGH = 0.9, 0.5, 0.1
"""Chance of still meeting the target at the early end, middle and late end of the 80 % range."""

Z80 = 1.2815515655446004
"""Half width of a normal 80 % range in standard deviations."""

STEM_SPOTS_FOR_MEAN = 3
"""Fewer spots than this count with the error of a single one."""

_GRASS_PCT = (0.0, 50.0, 100.0)
"""Grass in the stands the guidelines speak of, in their order [% of the stand]."""


@dataclass(frozen=True, slots=True)
class StartDates:
    """A start date with its 80 % range; None: later than the horizon."""

    p10: date | None
    median: date | None
    p90: date | None
    chance_within_notice: float  # that the start date falls on or before today + notice
    waiting: tuple[float, ...]  # chance that starting k days from now misses, k = 0, 1, ...


@dataclass(frozen=True, slots=True)
class DayAhead:
    """Standing quality on one day: median and 80 % range [index units]."""

    day: date
    median: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class FieldOutlook:
    field_id: int
    name: str
    cutting: int
    index: Index
    standing_target: float
    results: int
    last_on: date | None
    last_value: float | None
    stands_in: str  # the field whose results stand in for this one; "" for its own
    change_per_day: float  # expected fall (RFV, RFQ) or rise (NDF) a day from today
    own_days: float
    start: StartDates
    days: tuple[DayAhead, ...]
    meets_today: float  # chance that the standing crop still meets the target today


@dataclass(frozen=True, slots=True)
class FarmOutlook:
    """A farm's fields of one cutting in harvest order, and the day to start with the first."""

    farm: FarmPlan
    cutting: int
    start: StartDates
    fields: tuple[FieldOutlook, ...]
    under_way: bool = False  # another field of the farm was already cut: the harvest has begun

    @property
    def tightest(self) -> FieldOutlook:
        """The field to start with: due first."""
        return self.fields[0]


def look_ahead(
    snapshot: AreaSnapshot, guidelines: GuidelineSet, today: date
) -> tuple[FarmOutlook, ...]:
    """Outlook of every farm that has at least one usable result; the others are left out."""
    if not snapshot.fields:
        return ()
    used = snapshot.results.usable()
    target, lines = _fit(snapshot, used, guidelines)
    farms = (
        _farm_outlook(snapshot, position, used, lines, target, today)
        for position in range(len(snapshot.farms))
    )
    return tuple(farm for farm in farms if farm is not None)


# ----------------------------------------------------------- all fields at once


def standing_target(farm: FarmPlan) -> float:
    """Feed target plus handling loss (minus, for NDF) [index units]."""
    return float(
        goals.standing_target(farm.feed_target, farm.handling_loss, falls=farm.index.falls)
    )


def _fit(
    snapshot: AreaSnapshot, used: ResultTable, guidelines: GuidelineSet
) -> tuple[Floats, Lines]:
    """Standing targets and fitted lines of all fields, on the straight scale."""
    farms = [snapshot.farms[field.farm] for field in snapshot.fields]
    priors = [
        _rate(guidelines, farm.index, field.cutting, field.grass_pct)
        for farm, field in zip(farms, snapshot.fields, strict=True)
    ]
    falls = np.array([farm.index.falls for farm in farms])
    target = _to_scale([standing_target(farm) for farm in farms], falls)
    visit = [_on_scale(guidelines[f"visit_sd.any.{farm.index}"], farm.index) for farm in farms]
    lines = fit_lines(
        field=used.field,
        day=used.day,
        value=_to_scale(used.value, falls[used.field]),
        sd=_result_sd(used, farms, guidelines),
        visit_sd=np.array(visit),
        rate=np.array([rate for rate, _ in priors]),
        rate_sd=np.array([sd for _, sd in priors]),
    )
    return target, lines


def _to_scale(value: object, falls: np.ndarray) -> Floats:
    values = np.asarray(value, dtype=np.float64)
    scaled: Floats = np.where(falls, to_scale(values, falls=True), to_scale(values, falls=False))
    return scaled


def _on_scale(entry: Guideline, index: Index) -> float:
    return float(points_to_scale(entry.value, entry.at or 1.0, falls=index.falls))


def _rate(
    guidelines: GuidelineSet, index: Index, cutting: int, grass_pct: float
) -> tuple[float, float]:
    """Published daily change and its spread on the scale, between stands by a straight line."""
    turn = CUTTINGS[min(cutting, len(CUTTINGS)) - 1]
    rates, spreads = [], []
    for stand in STANDS:
        entry = guidelines[f"daily_change.{turn}.{stand}.{index}"]
        at = entry.at or 1.0
        rates.append(float(points_to_scale(entry.value, at, falls=index.falls)))
        spread = entry.spread if entry.spread is not None else entry.value / 4
        spreads.append(float(points_to_scale(spread, at, falls=index.falls)))
    return (
        float(np.interp(grass_pct, _GRASS_PCT, rates)),
        float(np.interp(grass_pct, _GRASS_PCT, spreads)),
    )


def _result_sd(used: ResultTable, farms: list[FarmPlan], guidelines: GuidelineSet) -> Floats:
    """Error of each result on the scale, by method, spots and time of day."""
    name = np.where(
        used.method == Method.STEM,
        np.where(used.spots >= STEM_SPOTS_FOR_MEAN, "stem_mean", "stem_one_spot"),
        used.method,
    )
    late = np.where(used.late, guidelines.value("result_sd_factor.late_in_day"), 1.0)
    indexes = [farms[field].index for field in used.field]
    sizes = {
        key: _on_scale(guidelines[f"result_sd.{key[0]}.{key[1]}"], key[1])
        for key in set(zip(name.tolist(), indexes, strict=True))
    }
    own = [sizes[key] for key in zip(name.tolist(), indexes, strict=True)]
    return np.array(own, dtype=np.float64) * late


# ------------------------------------------------------------------ farm by farm


def _farm_outlook(
    snapshot: AreaSnapshot,
    position: int,
    used: ResultTable,
    lines: Lines,
    target: Floats,
    today: date,
) -> FarmOutlook | None:
    open_fields = [i for i, field in enumerate(snapshot.fields) if field.farm == position]
    if not open_fields:
        return None
    # Fields already cut are on a later cutting; the crew's present harvest is the earliest one.
    cutting = min(snapshot.fields[i].cutting for i in open_fields)
    members = np.array([i for i in open_fields if snapshot.fields[i].cutting == cutting])
    sampled = members[~np.isnan(lines.level[members])]
    if sampled.size == 0:
        return None
    farm = snapshot.farms[position]
    due = _due_days(lines, target, sampled, today)
    # A field nobody sampled goes with the field that is due first: the safe side of not knowing.
    stand_in = int(sampled[int(np.argmin(due))])
    source = np.array([i if i in sampled else stand_in for i in members])
    shares = dict(
        zip(open_fields, _share_days(farm, [snapshot.fields[i] for i in open_fields]), strict=True)
    )
    own_days = np.array([shares[i] for i in members])
    order = harvest.due_order(_due_days(lines, target, source, today))
    plan = _Plan(farm, today, lines, target)
    fields = tuple(
        plan.field_outlook(
            snapshot.fields[members[k]],
            snapshot.fields[source[k]],
            int(source[k]),
            own_days[k],
            used,
        )
        for k in order
    )
    start = plan.start_dates(source[order], own_days[order])
    return FarmOutlook(
        farm=farm,
        cutting=cutting,
        start=start,
        fields=fields,
        under_way=members.size < len(open_fields),
    )


def _due_days(lines: Lines, target: Floats, fields: np.ndarray, today: date) -> Floats:
    """Median day on which each field reaches its target; the horizon where it does not."""
    with np.errstate(divide="ignore", invalid="ignore"):
        due = lines.middle[fields] + (target[fields] - lines.level[fields]) / lines.rate[fields]
    beyond = float(today.toordinal() + HORIZON_DAYS + 1)
    reaches = (lines.rate[fields] > 0) & np.isfinite(due)
    return np.where(reaches, np.minimum(due, beyond), beyond)


def _share_days(farm: FarmPlan, fields: list[FieldPlan]) -> Floats:
    """Days of the farm's harvest that each of all its fields takes: by acres, evenly where acres
    are unsaid. A field already cut keeps its share, so that the rest is not given more."""
    acres = [field.acres for field in fields]
    known = [a for a in acres if a is not None]
    typical = sum(known) / len(known) if known else 1.0
    size = np.array([typical if a is None else a for a in acres], dtype=np.float64)
    shares: Floats = farm.harvest_days * size / size.sum()
    return shares


@dataclass(frozen=True, slots=True)
class _Plan:
    """One farm's view on the area's lines."""

    farm: FarmPlan
    today: date
    lines: Lines
    target: Floats

    def start_dates(self, fields: np.ndarray, own_days: Floats) -> StartDates:
        """Start date of these fields, harvested in the order given."""
        first = self.today.toordinal() - LOOK_BACK_DAYS
        days = np.arange(first, self.today.toordinal() + HORIZON_DAYS + 1)
        by_day = harvest.chance_start_meets(
            self.lines.pick(fields),
            self.target[fields],
            np.arange(fields.size),
            own_days,
            days,
            average=self.farm.which_load is WhichLoad.AVERAGE,
        )
        chance = harvest.once_missed(by_day, LOOK_BACK_DAYS)
        soon = LOOK_BACK_DAYS + self.farm.notice_days + 1
        waiting = chance[LOOK_BACK_DAYS : LOOK_BACK_DAYS + DAYS_SHOWN]
        return StartDates(
            p10=_date(harvest.latest_day(chance, days, LOW)),
            median=_date(harvest.latest_day(chance, days, MEDIAN)),
            p90=_date(harvest.latest_day(chance, days, HIGH)),
            chance_within_notice=round(1.0 - float(chance[soon]), 4),
            waiting=tuple(round(1.0 - float(c), 4) for c in waiting),
        )

    def field_outlook(
        self, field: FieldPlan, source: FieldPlan, at: int, own_days: float, used: ResultTable
    ) -> FieldOutlook:
        mine = np.flatnonzero(used.field == at)
        last = mine[np.argmax(used.day[mine])]
        own = source.id == field.id
        days = self._days_ahead(at)
        now = np.array([self.today.toordinal()], dtype=np.float64)
        line = self.lines.pick([at])
        meets = line.chance_meets(self.target[[at]], now)
        return FieldOutlook(
            field_id=field.id,
            name=field.name,
            cutting=field.cutting,
            index=self.farm.index,
            standing_target=standing_target(self.farm),
            results=mine.size if own else 0,
            last_on=date.fromordinal(int(used.day[last])),
            last_value=float(used.value[last]),
            stands_in="" if own else source.name,
            change_per_day=abs(days[1].median - days[0].median),
            own_days=float(own_days),
            start=self.start_dates(np.array([at]), np.array([own_days])),
            days=days,
            meets_today=round(float(meets[0, 0]), 4),
        )

    def _days_ahead(self, at: int) -> tuple[DayAhead, ...]:
        line = self.lines.pick([at])
        days = [self.today + timedelta(days=k) for k in range(DAYS_SHOWN)]
        number = np.array([day.toordinal() for day in days], dtype=np.float64)
        mean, spread = line.mean(number)[0], Z80 * line.sd(number)[0]
        falls = self.farm.index.falls
        middle, one, other = (
            from_scale(value, falls=falls) for value in (mean, mean - spread, mean + spread)
        )
        low, high = np.minimum(one, other), np.maximum(one, other)
        return tuple(
            DayAhead(day, *(round(float(v), 2) for v in values))
            for day, *values in zip(days, middle, low, high, strict=True)
        )


def _date(day_number: int | None) -> date | None:
    return None if day_number is None else date.fromordinal(day_number)
