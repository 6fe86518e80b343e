"""The newest outlook of each field and farm, and the calendar events made of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from functools import cache
from typing import Any, NamedTuple

import orjson
from sqlalchemy import and_, bindparam
from sqlmodel import Session, col, delete, func, select

from alerts.domain.days_ahead import DaysAhead
from alerts.domain.outlook import FarmOutlook, FieldOutlook
from alerts.store import bulk
from alerts.store.racing import added
from alerts.store.tables import (
    Area,
    AreaWeather,
    CalendarEntry,
    Cut,
    Farm,
    FarmField,
    FarmOutlookRow,
    FieldOutlookRow,
    LabResult,
)


def replace_outlooks(
    session: Session, farm_ids: Sequence[int], found: Sequence[FarmOutlook], now: datetime
) -> None:
    """Put these outlooks in place of all that these farms had."""
    fields = [field for farm in found for field in farm.fields]
    for model, key, kept in (
        (FieldOutlookRow, col(FieldOutlookRow.field_id), [field.field_id for field in fields]),
        (FarmOutlookRow, col(FarmOutlookRow.farm_id), [farm.farm.id for farm in found]),
    ):
        had = session.exec(select(key).where(col(model.farm_id).in_(farm_ids)))
        gone = set(had).difference(kept)
        if gone:
            session.exec(delete(model).where(key.in_(sorted(gone))))
    bulk.put(session, FarmOutlookRow, _farm_columns(found, now))
    bulk.put(session, FieldOutlookRow, _field_columns(found, fields, now))


def _farm_columns(found: Sequence[FarmOutlook], now: datetime) -> bulk.Columns:
    return {
        "farm_id": [farm.farm.id for farm in found],
        "cutting": [farm.cutting for farm in found],
        **_start_columns(found),
        "made_at": [now] * len(found),
        "detail": [_as_json(_farm_detail(farm)) for farm in found],
    }


def _start_columns(found: Sequence[FarmOutlook] | Sequence[FieldOutlook]) -> bulk.Columns:
    starts = [one.start for one in found]
    return {
        "start_p10": [start.p10 for start in starts],
        "start_median": [start.median for start in starts],
        "start_p90": [start.p90 for start in starts],
        "chance_start_within_notice": [start.chance_within_notice for start in starts],
    }


def _farm_detail(farm: FarmOutlook) -> dict[str, object]:
    return {
        "order": [field.field_id for field in farm.fields],
        "waiting": farm.start.waiting,
        "load": farm.start.load,
    }


def _field_columns(
    found: Sequence[FarmOutlook], fields: Sequence[FieldOutlook], now: datetime
) -> bulk.Columns:
    return {
        "field_id": [field.field_id for field in fields],
        "farm_id": [farm.farm.id for farm in found for _ in farm.fields],
        "cutting": [field.cutting for field in fields],
        "made_at": [now] * len(fields),
        "index": [field.index.value for field in fields],
        "standing_target": [field.standing_target for field in fields],
        "results": [field.results for field in fields],
        **_start_columns(fields),
        "detail": [
            _as_json(_field_detail(farm, field, position))
            for farm in found
            for position, field in enumerate(farm.fields)
        ],
    }


def _field_detail(farm: FarmOutlook, field: FieldOutlook, position: int) -> dict[str, object]:
    return {
        "position": position,
        "days": DaysAhead.of(field.days).to_json(),
        "waiting": field.start.waiting,
        "load": field.start.load,
        "stands_in": field.stands_in,
        "is_area": field.is_area,
        "area_fields": field.area_fields,
        "last_on": field.last_on,
        "last_value": field.last_value,
        "last_index": field.last_index,
        "sample_worth_days": field.sample_worth_days,
        "follows_heat": farm.follows_heat,
        "rough": farm.rough,
        "change_per_day": field.change_per_day,
        "meets_today": field.meets_today,
    }


def _as_json(detail: dict[str, object]) -> str:
    return orjson.dumps(detail).decode()


class FieldView(NamedTuple):
    """A field with its farm, area and newest outlook, if it has one."""

    area: Area
    farm: Farm
    field: FarmField
    outlook: FieldOutlookRow | None
    farm_outlook: FarmOutlookRow | None


def field_views(
    session: Session,
    farm_ids: Iterable[int] | None = None,
    *,
    area_ids: Iterable[int] | None = None,
) -> list[FieldView]:
    """Open fields by area, farm and name; of all farms or areas where none are named.

    An outlook made before the last cut is of another crop, and left out.
    """
    asked = {"farm_ids": farm_ids, "area_ids": area_ids}
    given = {name: list(ids) for name, ids in asked.items() if ids is not None}
    query = _field_views(by_farm="farm_ids" in given, by_area="area_ids" in given)
    return [FieldView(*row) for row in session.exec(query, params=given)]


@cache
def _field_views(*, by_farm: bool, by_area: bool) -> Any:
    """The query, of which to make the words anew each time takes as long as to run it."""
    own = and_(
        col(FieldOutlookRow.field_id) == col(FarmField.id),
        col(FieldOutlookRow.cutting) == col(FarmField.cutting),
    )
    query = (
        select(Area, Farm, FarmField, FieldOutlookRow, FarmOutlookRow)  # type: ignore[call-overload]
        .select_from(FarmField)
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .join(Area, col(Area.id) == col(Farm.area_id))
        .join(FieldOutlookRow, own, isouter=True)
        .join(FarmOutlookRow, col(FarmOutlookRow.farm_id) == col(Farm.id), isouter=True)
        .where(col(FarmField.closed_on).is_(None))
        .order_by(col(Area.name), col(Farm.name), col(FarmField.name))
    )
    if by_farm:
        query = query.where(col(Farm.id).in_(bindparam("farm_ids", expanding=True)))
    if by_area:
        query = query.where(col(Area.id).in_(bindparam("area_ids", expanding=True)))
    return query


def weather_days(
    session: Session, area_ids: Iterable[int], first: date, before: date
) -> dict[int, int]:
    """How many days of each area's weather are known, from ``first`` on and before ``before``."""
    rows = session.exec(
        select(col(AreaWeather.area_id), func.count())
        .where(
            col(AreaWeather.area_id).in_(list(area_ids)),
            col(AreaWeather.day) >= first,
            col(AreaWeather.day) < before,
        )
        .group_by(col(AreaWeather.area_id))
    )
    return {area_id: int(count) for area_id, count in rows}


def first_cuts(session: Session, area_ids: Iterable[int], before: date) -> dict[int, list[date]]:
    """Days of the first cut of each area's fields in seasons before ``before``."""
    rows = session.exec(
        select(col(Farm.area_id), col(Cut.cut_on))
        .join(FarmField, col(FarmField.id) == col(Cut.field_id))
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .where(col(Farm.area_id).in_(list(area_ids)), Cut.cutting == 1, col(Cut.cut_on) < before)
    )
    found: dict[int, list[date]] = {}
    for area_id, cut_on in rows:
        found.setdefault(area_id, []).append(cut_on)
    return found


_SEASON_RESULTS = (
    select(LabResult)
    .where(
        col(LabResult.field_id).in_(bindparam("field_ids", expanding=True)),
        col(LabResult.replaced_by).is_(None),
        col(LabResult.sampled_on) >= bindparam("first_day"),
    )
    .order_by(col(LabResult.sampled_on), col(LabResult.id))
)


def season_results(
    session: Session, field_ids: Iterable[int], season_first_day: date
) -> dict[int, list[LabResult]]:
    """Results of each field from the season's first day on, oldest first; newest versions only."""
    asked = {"field_ids": list(field_ids), "first_day": season_first_day}
    rows = session.exec(_SEASON_RESULTS, params=asked)
    found: dict[int, list[LabResult]] = {}
    for row in rows:
        if row.field_id is not None:
            found.setdefault(row.field_id, []).append(row)
    return found


def calendar_entries(
    session: Session, farm_ids: Iterable[int], season: int
) -> dict[tuple[int, int], CalendarEntry]:
    """The season's calendar events of these farms, by farm and cutting."""
    rows = session.exec(
        select(CalendarEntry).where(
            col(CalendarEntry.farm_id).in_(list(farm_ids)), CalendarEntry.season == season
        )
    )
    return {(entry.farm_id, entry.cutting): entry for entry in rows}


def calendar_sequence(
    session: Session, *, farm_id: int, season: int, cutting: int, uid: str, start_on: date
) -> int:
    """Sequence number for the event: 0 at first, one more whenever the date moved."""
    key = (farm_id, season, cutting)
    entry = session.get(CalendarEntry, key, with_for_update=True)
    if entry is None:
        first = CalendarEntry(
            farm_id=farm_id, season=season, cutting=cutting, uid=uid, start_on=start_on
        )
        if added(session, first):
            return first.sequence
        entry = session.get_one(CalendarEntry, key, with_for_update=True)
    if entry.start_on != start_on:
        entry.sequence += 1
        entry.start_on = start_on
        session.add(entry)
    return entry.sequence
