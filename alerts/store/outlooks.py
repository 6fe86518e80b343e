"""The newest outlook of each field and farm, and the calendar events made of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from datetime import date, datetime
from typing import NamedTuple

from sqlalchemy import and_
from sqlmodel import Session, col, delete, select

from alerts.domain.outlook import FarmOutlook, FieldOutlook
from alerts.store.tables import (
    Area,
    CalendarEntry,
    Farm,
    FarmField,
    FarmOutlookRow,
    FieldOutlookRow,
)


def replace_outlooks(
    session: Session, farm_ids: Sequence[int], found: Iterable[FarmOutlook], now: datetime
) -> None:
    """Put these outlooks in place of all that these farms had."""
    for table in (FieldOutlookRow, FarmOutlookRow):
        session.exec(delete(table).where(col(table.farm_id).in_(farm_ids)))
    for farm in found:
        session.add(_farm_row(farm, now))
        for position, field in enumerate(farm.fields):
            session.add(_field_row(farm, field, position, now))


def _farm_row(farm: FarmOutlook, now: datetime) -> FarmOutlookRow:
    return FarmOutlookRow(
        farm_id=farm.farm.id,
        cutting=farm.cutting,
        made_at=now,
        start_p10=farm.start.p10,
        start_median=farm.start.median,
        start_p90=farm.start.p90,
        chance_start_within_notice=farm.start.chance_within_notice,
        detail={
            "order": [field.field_id for field in farm.fields],
            "waiting": list(farm.start.waiting),
        },
    )


def _field_row(
    farm: FarmOutlook, field: FieldOutlook, position: int, now: datetime
) -> FieldOutlookRow:
    return FieldOutlookRow(
        field_id=field.field_id,
        farm_id=farm.farm.id,
        cutting=field.cutting,
        made_at=now,
        index=field.index.value,
        standing_target=field.standing_target,
        results=field.results,
        start_p10=field.start.p10,
        start_median=field.start.median,
        start_p90=field.start.p90,
        chance_start_within_notice=field.start.chance_within_notice,
        detail={
            "position": position,
            "days": [{**asdict(day), "day": day.day.isoformat()} for day in field.days],
            "waiting": list(field.start.waiting),
            "stands_in": field.stands_in,
            "last_on": field.last_on.isoformat() if field.last_on else None,
            "last_value": field.last_value,
            "last_index": field.last_index.value if field.last_index else None,
            "sample_worth_days": field.sample_worth_days,
            "follows_heat": farm.follows_heat,
            "rough": farm.rough,
            "change_per_day": field.change_per_day,
            "meets_today": field.meets_today,
        },
    )


class FieldView(NamedTuple):
    """A field with its farm, area and newest outlook, if it has one."""

    area: Area
    farm: Farm
    field: FarmField
    outlook: FieldOutlookRow | None
    farm_outlook: FarmOutlookRow | None


def field_views(session: Session, farm_ids: Iterable[int] | None = None) -> list[FieldView]:
    """Open fields by area, farm and name; of all farms where none are named.

    An outlook made before the last cut is of another crop, and left out.
    """
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
    if farm_ids is not None:
        query = query.where(col(Farm.id).in_(list(farm_ids)))
    return [FieldView(*row) for row in session.exec(query)]


def calendar_sequence(
    session: Session, *, farm_id: int, season: int, cutting: int, uid: str, start_on: date
) -> int:
    """Sequence number for the event: 0 at first, one more whenever the date moved."""
    entry = session.get(CalendarEntry, (farm_id, season, cutting))
    if entry is None:
        entry = CalendarEntry(
            farm_id=farm_id, season=season, cutting=cutting, uid=uid, start_on=start_on
        )
    elif entry.start_on != start_on:
        entry.sequence += 1
        entry.start_on = start_on
    session.add(entry)
    return entry.sequence
