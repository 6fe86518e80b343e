"""Cuts as they were recorded, and what was known of a field by the day of one."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import NamedTuple

from sqlalchemy import bindparam, func
from sqlmodel import Session, col, select

from alerts.domain.decision import START_KINDS
from alerts.domain.delivery import TOLD
from alerts.domain.snapshot import belongs_to_open_cutting
from alerts.store.outlooks import FieldView
from alerts.store.tables import (
    Area,
    Cut,
    Farm,
    FarmField,
    FarmOutlookRow,
    FieldOutlookRow,
    LabResult,
    MessageField,
    OutboxMessage,
)


class ToldByThen(NamedTuple):
    """What had been told of a field by some day."""

    field_start_on: date | None  # the field's own latest start
    farm_start_on: date | None
    position: int  # in the harvest order told, 0 = first
    kind: str
    on: date
    first_on: date  # when a date was first told


class RecordedCut(NamedTuple):
    cut: Cut
    field: FarmField
    farm: Farm
    area: Area


_CUTS_OF_FARMS = (
    select(Cut, FarmField, Farm, Area)
    .join(FarmField, col(FarmField.id) == col(Cut.field_id))
    .join(Farm, col(Farm.id) == col(FarmField.farm_id))
    .join(Area, col(Area.id) == col(Farm.area_id))
    .where(
        col(Farm.id).in_(bindparam("farm_ids", expanding=True)), Cut.season == bindparam("season")
    )
    .order_by(
        col(Area.name), col(Farm.name), col(Cut.cutting), col(Cut.cut_on), col(FarmField.name)
    )
)


def cuts_of_farms(session: Session, farm_ids: Iterable[int], season: int) -> list[RecordedCut]:
    """Cuts of a season by area, farm, cutting and day."""
    asked = {"farm_ids": list(farm_ids), "season": season}
    return [RecordedCut(*row) for row in session.exec(_CUTS_OF_FARMS, params=asked)]


def fields_without_cut(session: Session, farm_ids: Iterable[int]) -> int:
    """How many open fields of these farms bear no cut of their season."""
    found = session.exec(
        select(func.count(col(FarmField.id))).where(
            col(FarmField.farm_id).in_(list(farm_ids)),
            col(FarmField.closed_on).is_(None),
            col(FarmField.cut_on).is_(None),
        )
    )
    return found.one()


def seasons_of_farms(session: Session, farm_ids: Iterable[int]) -> list[int]:
    """Years in which something of these farms was cut, newest first."""
    found = session.exec(
        select(Cut.season)
        .join(FarmField, col(FarmField.id) == col(Cut.field_id))
        .where(col(FarmField.farm_id).in_(list(farm_ids)))
        .distinct()
        .order_by(col(Cut.season).desc())
    )
    return list(found)


def field_exists(session: Session, field_id: int) -> bool:
    return session.get(FarmField, field_id) is not None


def find_view(session: Session, field_id: int) -> FieldView | None:
    """An open field with the outlook of its open cutting; None: no such field, or closed."""
    field = session.get(FarmField, field_id)
    if field is None or field.closed_on is not None:
        return None
    farm = session.get_one(Farm, field.farm_id)
    own = session.get(FieldOutlookRow, field_id)
    whole = session.get(FarmOutlookRow, farm.id)
    return FieldView(
        area=session.get_one(Area, farm.area_id),
        farm=farm,
        field=field,
        outlook=own if own is not None and own.cutting == field.cutting else None,
        farm_outlook=whole if whole is not None and whole.cutting == field.cutting else None,
    )


def told_by(session: Session, field: FarmField, season: int, day: date) -> ToldByThen | None:
    """The last start date that a gateway took for this field's open cutting, up to ``day``."""
    found = session.exec(
        select(MessageField, OutboxMessage)
        .join(OutboxMessage, col(OutboxMessage.id) == col(MessageField.message_id))
        .where(
            MessageField.field_id == field.id,
            OutboxMessage.season == season,
            OutboxMessage.cutting == field.cutting,
            col(OutboxMessage.told_on) <= day,
            col(OutboxMessage.kind).in_(sorted(START_KINDS)),
            col(OutboxMessage.status).in_(sorted(TOLD)),
        )
        .order_by(col(OutboxMessage.told_on), col(OutboxMessage.id))
    ).all()
    if not found:
        return None
    told, message = found[-1]
    return ToldByThen(
        field_start_on=told.start_on,
        farm_start_on=message.start_on,
        position=told.position,
        kind=message.kind,
        on=message.told_on,
        first_on=found[0][1].told_on,
    )


def results_until(session: Session, field: FarmField, first: date, day: date) -> list[LabResult]:
    """The field's own valid results of its open cutting, sampled ``first`` to ``day``; newest last.

    Samples of the day of the cut before are of the crop before, and those of the days after it of
    no crop.
    """
    query = select(LabResult).where(
        LabResult.field_id == field.id,
        col(LabResult.replaced_by).is_(None),
        col(LabResult.sampled_on) >= first,
        col(LabResult.sampled_on) <= day,
    )
    rows = session.exec(query.order_by(col(LabResult.sampled_on), col(LabResult.id)))
    return [row for row in rows if belongs_to_open_cutting(field, row.cutting, row.sampled_on)]


def sampled_after(session: Session, field: FarmField, day: date, regrown: date) -> date | None:
    """The last day after ``day`` on which the field's open cutting was sampled; None: none.

    A sample that does not say its cutting is of the next crop from ``regrown`` on.
    """
    known = session.exec(
        select(col(LabResult.sampled_on), col(LabResult.cutting)).where(
            LabResult.field_id == field.id,
            col(LabResult.replaced_by).is_(None),
            col(LabResult.sampled_on) > day,
            col(LabResult.sampled_on) <= date(day.year, 12, 31),
        )
    )
    stood = (
        on
        for on, cutting in known
        if cutting == field.cutting or (cutting is None and on < regrown)
    )
    return max(stood, default=None)
