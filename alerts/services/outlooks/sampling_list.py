"""Which fields to clip next, and why: read for reminders, digests, pages and the printed list."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, time, timedelta
from statistics import median
from typing import Any

from sqlmodel import Session

from alerts.agronomy.goals import standing_target
from alerts.configfiles import WEEKDAYS
from alerts.domain.area_clock import MISSING_DAYS
from alerts.domain.clips import (
    Clip,
    LeftOut,
    SamplingList,
    Why,
    WhyNot,
    by_worth,
    missed_sampling_day,
    next_sampling_day,
)
from alerts.domain.decision import EVEN
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index
from alerts.store import outlooks, people
from alerts.store.outlooks import FieldView
from alerts.store.tables import Area, FieldOutlookRow


@dataclass(frozen=True, slots=True)
class ClipRules:
    """When clips are taken, and when the first of a spring is worth it."""

    weekdays: frozenset[int]  # date.weekday of the sampling days of an area that names none
    before: time
    season_first_day: date
    first_ahead_days: int
    first_from_day_of_year: int
    first_until_day_of_year: int
    results_take_days: int


def clip_rules(
    guidelines: GuidelineSet, weekdays: frozenset[int], before: time, season_first_day: date
) -> ClipRules:
    value = guidelines.value
    return ClipRules(
        weekdays=weekdays,
        before=before,
        season_first_day=season_first_day,
        first_ahead_days=int(value("sampling.first_ahead_days")),
        first_from_day_of_year=int(value("sampling.first_from_day_of_year")),
        first_until_day_of_year=int(value("sampling.first_until_day_of_year")),
        results_take_days=int(value("sampling.results_take_days")),
    )


def area_weekdays(area: Area, usual: frozenset[int]) -> frozenset[int]:
    """Sampling days of an area as ``date.weekday``; ``usual`` where it names none of its own."""
    named = {word.strip().casefold() for word in area.sampling_days.split(",")}
    return frozenset(WEEKDAYS.index(day) for day in WEEKDAYS if day in named) or usual


def sampling_list(
    session: Session,
    farm_ids: Collection[int] | None,
    today: date,
    rules: ClipRules,
    *,
    first: date | None = None,
) -> SamplingList:
    """Fields of these farms to clip on their area's next sampling day, worth most first.

    ``farm_ids`` None means all farms. The next sampling day is the first from ``first`` on, which
    is ``today`` where nothing else is said. Five statements, however many fields there are.
    """
    return clips_of(session, outlooks.field_views(session, farm_ids), today, rules, first=first)


def clips_of(
    session: Session,
    views: list[FieldView],
    today: date,
    rules: ClipRules,
    *,
    first: date | None = None,
) -> SamplingList:
    """The same of fields already read."""
    seasons = _seasons(session, views, today, rules)
    samplers = people.names(session, {v.farm.sampler_id for v in views if v.farm.sampler_id})
    clips: list[Clip] = []
    left_out: list[LeftOut] = []
    for view in views:
        found = _judge(view, today, first or today, rules, seasons[view.area.id or 0])
        if isinstance(found, Clip):
            clips.append(replace(found, sampler=samplers.get(found.sampler_id or 0, "")))
        elif found is not None:
            left_out.append(_left_out(view, *found))
    return SamplingList(
        day=first or today,
        before=rules.before,
        clips=tuple(sorted(clips, key=by_worth)),
        left_out=tuple(left_out),
    )


# ------------------------------------------------------------------ the first of a spring


@dataclass(frozen=True, slots=True)
class _Spring:
    """When first clips begin and end in an area about which no outlook says anything."""

    follows_heat: bool  # its weather is known: as long as no outlook is made, it is too early
    begins: date
    ends: date


def _seasons(
    session: Session, views: Iterable[FieldView], today: date, rules: ClipRules
) -> dict[int, _Spring]:
    areas = sorted({view.area.id for view in views if view.area.id is not None})
    known = outlooks.weather_days(session, areas, rules.season_first_day, today)
    cuts = outlooks.first_cuts(session, areas, rules.season_first_day)
    needed = (today - rules.season_first_day).days - MISSING_DAYS
    return {
        area: _spring(rules, 0 < known.get(area, 0) >= needed, cuts.get(area, [])) for area in areas
    }


def _spring(rules: ClipRules, follows_heat: bool, cuts: list[date]) -> _Spring:
    """Around the first cuts of earlier seasons, else the usual days of the guidelines."""
    new_year = date(rules.season_first_day.year, 1, 1)
    begins = rules.first_from_day_of_year
    ends = rules.first_until_day_of_year
    if cuts:
        usual = int(median(cut.timetuple().tm_yday for cut in cuts))
        begins, ends = usual - rules.first_ahead_days, usual + rules.first_ahead_days
    return _Spring(
        follows_heat,
        new_year + timedelta(days=begins - 1),
        new_year + timedelta(days=ends - 1),
    )


# ----------------------------------------------------------------------------- one field


def _judge(
    view: FieldView, today: date, first: date, rules: ClipRules, spring: _Spring
) -> Clip | tuple[WhyNot, date] | None:
    """The clip, or why there is none on which day; None where the area has no sampling days."""
    weekdays = area_weekdays(view.area, rules.weekdays)
    row = _of_this_season(view.outlook, rules.season_first_day)
    last_on = _own_last_on(row)
    on = next_sampling_day(first, weekdays)
    if last_on is not None and on is not None and last_on >= on:
        on = next_sampling_day(last_on + timedelta(days=1), weekdays)  # clipped already
    if on is None:
        return None
    if (why_not := _why_not(view, row, on, today, rules, spring)) is not None:
        return why_not, on
    if (too_late := _too_late(row, on, today, rules)) is not None:
        return too_late, on
    missed = None
    if last_on is not None:
        missed = missed_sampling_day(last_on, today, weekdays, rules.results_take_days)
    return _clip(view, row, on, today, missed)


def _of_this_season(row: FieldOutlookRow | None, first_day: date) -> FieldOutlookRow | None:
    return None if row is None or row.made_at.date() < first_day else row


def _own_last_on(row: FieldOutlookRow | None) -> date | None:
    """Day of the field's own newest result; None while others stand in for it."""
    if row is None or row.detail["stands_in"] or not row.detail["last_on"]:
        return None
    return date.fromisoformat(row.detail["last_on"])


def _why_not(
    view: FieldView,
    row: FieldOutlookRow | None,
    on: date,
    today: date,
    rules: ClipRules,
    spring: _Spring,
) -> WhyNot | None:
    if not view.field.watched:
        return WhyNot.UNWATCHED
    if view.farm.paused_until is not None and on < view.farm.paused_until:
        return WhyNot.PAUSED
    if row is not None and _own_last_on(row) is not None:
        return None if row.detail["meets_today"] >= EVEN else WhyNot.BELOW
    if view.field.cutting > 1:
        # Which regrowth is to be followed is the sampler's own choice.
        return WhyNot.CUT
    if row is None:
        return _too_soon_or_late(on, spring)
    return _first_not_worth(row, on, today, rules)


def _too_late(
    row: FieldOutlookRow | None, on: date, today: date, rules: ClipRules
) -> WhyNot | None:
    """Whether the laboratory's answer could still change when to start.

    A date from heat alone is weeks wide: it does not say so.
    """
    if row is None or row.start_median is None or row.detail["rough"]:
        return None
    takes = timedelta(days=rules.results_take_days)
    if on + takes <= row.start_median:
        return None
    tomorrow = today + timedelta(days=1)
    helps = tomorrow < on and tomorrow + takes <= row.start_median
    return WhyNot.TOMORROW if helps else WhyNot.LATE


def _too_soon_or_late(on: date, spring: _Spring) -> WhyNot | None:
    if spring.follows_heat or on < spring.begins:
        return WhyNot.EARLY
    return WhyNot.OVER if on > spring.ends else None


def _first_not_worth(
    row: FieldOutlookRow, on: date, today: date, rules: ClipRules
) -> WhyNot | None:
    if row.start_p10 is None or row.start_p10 > on + timedelta(days=rules.first_ahead_days):
        return WhyNot.EARLY
    if row.detail["rough"]:
        # Heat alone is weeks wide: only its late end says that a first clip comes too late.
        return WhyNot.OVER if row.start_p90 is not None and row.start_p90 < today else None
    return None if row.detail["meets_today"] >= EVEN else WhyNot.BELOW


def _clip(
    view: FieldView, row: FieldOutlookRow | None, on: date, today: date, missed: date | None
) -> Clip:
    farm, field, index = view.farm, view.field, Index(view.farm.index)
    assert farm.id is not None
    assert field.id is not None
    last_on = _own_last_on(row)
    detail: Mapping[str, Any] = row.detail if row is not None else {}
    own = last_on is not None
    return Clip(
        area=view.area.name,
        farm_id=farm.id,
        farm=farm.name,
        field_id=field.id,
        field=field.name,
        cutting=field.cutting,
        acres=field.acres,
        index=index,
        standing_target=float(
            standing_target(farm.feed_target, farm.handling_loss, falls=index.falls)
        ),
        sampler_id=farm.sampler_id,
        sampler="",
        on=on,
        why=Why.FIRST if not own else Why.OVERDUE if missed else Why.NARROWS,
        worth_days=float(detail["sample_worth_days"]) if row is not None else None,
        last_on=last_on,
        last_value=detail["last_value"] if own else None,
        last_index=Index(detail.get("last_index") or index) if own else None,
        days_since=(today - last_on).days if last_on is not None else None,
        start_p10=row.start_p10 if row else None,
        start_median=row.start_median if row else None,
        start_p90=row.start_p90 if row else None,
        missed_on=missed,
    )


def _left_out(view: FieldView, why_not: WhyNot, on: date) -> LeftOut:
    assert view.farm.id is not None
    assert view.field.id is not None
    return LeftOut(view.farm.id, view.farm.name, view.field.id, view.field.name, why_not, on)
