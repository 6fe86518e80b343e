"""What a consultant's table shows of each open field, column by column.

Whole rows, with every day of an outlook, take a multiple of the time for 200 clients.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any, NamedTuple, cast

from sqlalchemy import JSON, and_
from sqlmodel import Session, col, select

from alerts.store.tables import Area, Farm, FarmField, FarmOutlookRow, FieldOutlookRow


class ClientFieldRow(NamedTuple):
    """A field with its farm and area; what begins with ``own`` and ``whole`` is of the newest
    outlook of the field and of the farm, None where it has none."""

    area: str
    time_zone: str
    farm_id: int
    farm: str
    farmer_id: int
    harvest_method: str
    farm_index: str
    feed_target: float
    handling_loss: float
    paused_until: date | None
    field_id: int
    field: str
    cutting: int
    acres: float | None
    cut_on: date | None
    own_results: int | None
    own_p10: date | None
    own_median: date | None
    own_p90: date | None
    own_position: int | None
    own_last_on: str | None
    own_last_value: float | None
    own_last_index: str | None
    own_stands_in: str | None
    own_is_area: bool | None
    own_area_fields: int | None
    whole_cutting: int | None
    whole_p10: date | None
    whole_median: date | None
    whole_p90: date | None


def client_fields(session: Session, farm_ids: Iterable[int]) -> list[ClientFieldRow]:
    """Open fields of these farms by area, farm and name.

    An outlook made before the last cut is of another crop, and left out.
    """
    own = and_(
        col(FieldOutlookRow.field_id) == col(FarmField.id),
        col(FieldOutlookRow.cutting) == col(FarmField.cutting),
    )
    query = (
        select(*_COLUMNS)  # type: ignore[call-overload]
        .select_from(FarmField)
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .join(Area, col(Area.id) == col(Farm.area_id))
        .join(FieldOutlookRow, own, isouter=True)
        .join(FarmOutlookRow, col(FarmOutlookRow.farm_id) == col(Farm.id), isouter=True)
        .where(col(FarmField.closed_on).is_(None), col(Farm.id).in_(list(farm_ids)))
        .order_by(col(Area.name), col(Farm.name), col(FarmField.name))
    )
    return [ClientFieldRow(*row) for row in session.exec(query)]


def _detail(name: str) -> Any:
    """An entry of a field's outlook, taken out by the database."""
    return cast("JSON.Comparator[Any]", col(FieldOutlookRow.detail))[name]


_COLUMNS = (
    *(Area.name, Area.time_zone),
    *(Farm.id, Farm.name, Farm.farmer_id, Farm.harvest_method, Farm.index, Farm.feed_target),
    *(Farm.handling_loss, Farm.paused_until),
    *(FarmField.id, FarmField.name, FarmField.cutting, FarmField.acres, FarmField.cut_on),
    *(FieldOutlookRow.results, FieldOutlookRow.start_p10, FieldOutlookRow.start_median),
    FieldOutlookRow.start_p90,
    _detail("position").as_integer(),
    _detail("last_on").as_string(),
    _detail("last_value").as_float(),
    _detail("last_index").as_string(),
    _detail("stands_in").as_string(),
    _detail("is_area").as_boolean(),
    _detail("area_fields").as_integer(),
    *(FarmOutlookRow.cutting, FarmOutlookRow.start_p10, FarmOutlookRow.start_median),
    FarmOutlookRow.start_p90,
)
