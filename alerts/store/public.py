"""Results of reference fields, for everybody.

The queries name their columns: names of farms and fields, people, places and laboratory numbers
never leave the tables.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import NamedTuple

from sqlalchemy import func
from sqlmodel import Session, col, select

from alerts.store.fields import CHUNK
from alerts.store.tables import Area, Cut, Farm, FarmField, LabResult


class PublicArea(NamedTuple):
    id: int
    name: str
    time_zone: str
    fields: int  # reference fields


class PublicRow(NamedTuple):
    id: int
    field_id: int
    field: str  # the public name
    place: str
    cutting: int | None
    method: str
    sampled_on: date
    rfv: float | None
    rfq: float | None
    ndf: float | None
    received_at: datetime


def areas(session: Session) -> list[PublicArea]:
    """Areas with at least one reference field, in the order they were made."""
    rows = session.exec(
        select(Area.id, Area.name, Area.time_zone, func.count(col(FarmField.id)))
        .join(Farm, col(Farm.area_id) == col(Area.id))
        .join(FarmField, col(FarmField.farm_id) == col(Farm.id))
        .where(FarmField.public_name != "")
        .group_by(col(Area.id), col(Area.name), col(Area.time_zone))
        .order_by(col(Area.id))
    )
    return [PublicArea(area_id or 0, name, zone, count) for area_id, name, zone, count in rows]


def rows(session: Session, area_id: int, first: date, last: date) -> list[PublicRow]:
    """Valid results of an area's reference fields sampled ``first`` to ``last``, newest first."""
    found = session.exec(
        select(  # type: ignore[call-overload,misc]
            LabResult.id,
            FarmField.id,
            FarmField.public_name,
            FarmField.public_place,
            LabResult.cutting,
            LabResult.method,
            LabResult.sampled_on,
            LabResult.rfv,
            LabResult.rfq,
            LabResult.ndf,
            LabResult.received_at,
        )
        .join(FarmField, col(FarmField.id) == col(LabResult.field_id))
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .where(
            Farm.area_id == area_id,
            FarmField.public_name != "",
            col(LabResult.replaced_by).is_(None),
            col(LabResult.sampled_on) >= first,
            col(LabResult.sampled_on) <= last,
        )
        .order_by(col(LabResult.sampled_on).desc(), col(FarmField.public_name), col(LabResult.id))
    )
    return [PublicRow(*row) for row in found]


def first_versions(session: Session, result_ids: Iterable[int]) -> dict[int, int]:
    """The first version of each result, by id: what stays the same when one is corrected."""
    first = {one: one for one in result_ids}
    newest = list(first)
    while newest:
        older: dict[int, int] = {}
        for start in range(0, len(newest), CHUNK):
            chunk = newest[start : start + CHUNK]
            found = session.exec(
                select(LabResult.id, LabResult.replaced_by).where(
                    col(LabResult.replaced_by).in_(chunk)
                )
            )
            older.update((after, before) for before, after in found if before and after)
        for known, oldest in first.items():
            first[known] = older.get(oldest, oldest)
        newest = list(older.values())
    return first


def cut_days(session: Session, field_ids: Iterable[int], season: int) -> dict[int, list[date]]:
    """Days on which each field was cut in a season, in order."""
    found: dict[int, list[date]] = {}
    rows = session.exec(
        select(col(Cut.field_id), col(Cut.cut_on))
        .where(col(Cut.field_id).in_(sorted(set(field_ids))), Cut.season == season)
        .order_by(col(Cut.cut_on))
    )
    for field_id, cut_on in rows:
        found.setdefault(field_id, []).append(cut_on)
    return found
