"""Areas: which are due, who works on one, and what is known of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from typing import Any, Protocol

import numpy as np
from sqlalchemy import or_, update
from sqlmodel import Session, col, select

from alerts.domain.area_clock import DailyHeat
from alerts.domain.records import Index, Method, WhichLoad
from alerts.domain.snapshot import (
    AreaSnapshot,
    FarmPlan,
    FieldPlan,
    RainAhead,
    ResultRow,
    ResultTable,
    is_too_young,
)
from alerts.store.tables import Area, AreaWeather, Farm, FarmField, LabResult
from alerts.store.weather import days_since


def mark_due(session: Session, area_ids: Iterable[int], now: datetime) -> None:
    """Have these areas looked at again.

    An area already due gets the new instant too: whoever works on it right now sees by the changed
    value that there is more to do (see :func:`release`).
    """
    ids = sorted(set(area_ids))
    if ids:
        session.exec(update(Area).where(col(Area.id).in_(ids)).values(due_at=now))


def claim_due(session: Session, *, owner: str, now: datetime, lease: timedelta) -> Area | None:
    """Take one due area; the lease keeps other workers off until it is released or lapses."""
    free = or_(col(Area.lease_until).is_(None), col(Area.lease_until) < now)
    query = select(Area).where(col(Area.due_at) <= now, free).order_by(col(Area.due_at)).limit(1)
    area = session.exec(query.with_for_update(skip_locked=True)).first()
    if area is not None:
        area.lease_owner, area.lease_until = owner, now + lease
        session.add(area)
        session.flush()
    return area


def due_since(session: Session, area_id: int | None) -> datetime | None:
    """When the area is, or was, due, as it stands in the database now."""
    return session.exec(select(Area.due_at).where(Area.id == area_id)).one()


def release(session: Session, area: Area, *, due_seen: datetime | None, next_due: datetime) -> bool:
    """Give an area back; False when its lease was taken over: what was made of it must not stay.

    A wish that came in meanwhile (a newer due_at) stays.
    """
    ours = (
        col(Area.id) == area.id,
        col(Area.lease_owner) == area.lease_owner,
        col(Area.lease_until) == area.lease_until,
    )
    values = {"lease_owner": "", "lease_until": None}
    unchanged = session.exec(
        update(Area).where(*ours, col(Area.due_at) == due_seen).values(due_at=next_due, **values)
    )
    if unchanged.rowcount == 1:
        return True
    return session.exec(update(Area).where(*ours).values(**values)).rowcount == 1


def load_snapshot(session: Session, area: Area, season_first_day: date) -> AreaSnapshot:
    """Everything the projection needs of an area, in four statements."""
    farms = session.exec(select(Farm).where(Farm.area_id == area.id).order_by(col(Farm.id))).all()
    place = {farm.id: position for position, farm in enumerate(farms)}
    fields: Sequence[Any] = session.exec(
        select(*_FIELD_COLUMNS)  # type: ignore[call-overload]
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .where(Farm.area_id == area.id, col(FarmField.closed_on).is_(None))
        .order_by(col(FarmField.id))
    ).all()
    assert area.id is not None
    days = days_since(session, area.id, season_first_day)
    return AreaSnapshot(
        id=area.id,
        name=area.name,
        time_zone=area.time_zone,
        farms=tuple(farm_plan(farm) for farm in farms),
        fields=tuple(_field_plan(field, place[field.farm_id]) for field in fields),
        results=_load_results(session, area.id, fields, season_first_day),
        season_first_day=season_first_day,
        heat=_heat(days),
        rain=tuple(
            RainAhead(day.day, day.rain_chance_pct, day.rain_in) for day in days if day.forecast
        ),
    )


def _heat(days: Sequence[AreaWeather]) -> DailyHeat | None:
    if not days:
        return None
    return DailyHeat(
        day=np.array([day.day.toordinal() for day in days], dtype=np.intp),
        tmax_f=np.array([day.tmax_f for day in days], dtype=np.float64),
        tmin_f=np.array([day.tmin_f for day in days], dtype=np.float64),
    )


def farm_plan(farm: Farm) -> FarmPlan:
    """What a farm wants and how it harvests, as the projection reads it."""
    assert farm.id is not None
    return FarmPlan(
        id=farm.id,
        name=farm.name,
        index=Index(farm.index),
        feed_target=farm.feed_target,
        handling_loss=farm.handling_loss,
        harvest_days=farm.harvest_days,
        which_load=WhichLoad(farm.which_load),
        notice_days=farm.notice_days,
    )


_FIELD_COLUMNS = (
    *(FarmField.id, FarmField.farm_id, FarmField.name, FarmField.cutting, FarmField.acres),
    *(FarmField.grass_pct, FarmField.watched, FarmField.soil, FarmField.slope, FarmField.cut_on),
)
"""What the projection reads of a field."""


class _Standing(Protocol):
    """What a field's crop is known by: a whole field, or the columns of one."""

    @property
    def cutting(self) -> int: ...
    @property
    def cut_on(self) -> date | None: ...


def _field_plan(field: Any, farm: int) -> FieldPlan:
    """``field`` has the attributes of ``_FIELD_COLUMNS``."""
    return FieldPlan(
        id=field.id,
        farm=farm,
        name=field.name,
        cutting=field.cutting,
        acres=field.acres,
        grass_pct=field.grass_pct,
        watched=field.watched,
        soil=field.soil,
        slope=field.slope,
        cut_on=field.cut_on,
    )


METHODS = {method.value: method for method in Method}


def _load_results(
    session: Session, area_id: int, fields: Iterable[Any], season_first_day: date
) -> ResultTable:
    """Results of this season that belong to each field's open cutting."""
    position = {field.id: (i, field, field.cut_on is None) for i, field in enumerate(fields)}
    rows = session.exec(
        select(  # type: ignore[call-overload,misc]
            LabResult.field_id,
            LabResult.cutting,
            LabResult.sampled_on,
            LabResult.rfv,
            LabResult.rfq,
            LabResult.ndf,
            LabResult.method,
            LabResult.spots,
            LabResult.late_in_day,
        )
        .join(FarmField, col(FarmField.id) == col(LabResult.field_id))
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .where(
            Farm.area_id == area_id,
            col(LabResult.replaced_by).is_(None),
            col(LabResult.sampled_on) >= season_first_day,
        )
        .order_by(col(LabResult.sampled_on), col(LabResult.id))
    )
    table: list[ResultRow] = []
    for field_id, cutting, sampled_on, rfv, rfq, ndf, method, spots, late in rows:
        at, field, uncut = position.get(field_id, (-1, None, False))
        # What holds for most is asked first: an area has hundreds of results.
        if (uncut and cutting == field.cutting) or (
            field is not None and belongs_to_open_cutting(field, cutting, sampled_on)
        ):
            table.append((at, sampled_on, rfv, rfq, ndf, METHODS[method], spots, late))
    return ResultTable.of(table)


def belongs_to_open_cutting(field: _Standing, cutting: int | None, sampled_on: date) -> bool:
    """Whether a sample is of the crop that stands on the field now, and speaks for it."""
    if is_too_young(field.cut_on, sampled_on):
        return False
    return is_after_last_cut(field, cutting, sampled_on)


def is_after_last_cut(field: _Standing, cutting: int | None, sampled_on: date) -> bool:
    """Whether a sample was taken since the last cut, be it too soon after to count."""
    if field.cut_on is not None and sampled_on <= field.cut_on:
        return False
    return cutting is None or cutting == field.cutting


def all_areas(session: Session) -> dict[int, Area]:
    found = session.exec(select(Area).order_by(col(Area.name)))
    return {area.id: area for area in found if area.id is not None}
