"""A sampler takes a result back that they sent by mistake, and puts it back again."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from sqlmodel import Session

from alerts.domain.errors import CutcallError
from alerts.domain.records import Index
from alerts.services.access.links import Visitor
from alerts.services.access.scope import NotYours, require_field
from alerts.services.access.senders import Sender
from alerts.store import areas, fields, withdrawn
from alerts.store.tables import LabResult


@dataclass(frozen=True, slots=True)
class OwnResult:
    """A result that the visitor sent."""

    id: int
    farm: str
    field: str
    sampled_on: date
    readings: tuple[tuple[Index, float], ...]
    is_withdrawn: bool


def own_source(visitor: Visitor) -> str:
    """Source of what a sampler typed on the page, texted, or sent with a token."""
    return Sender("sampler", str(visitor.person_id)).source


def own_result(session: Session, visitor: Visitor, result_id: int) -> OwnResult:
    """A result as its sender is asked about it; NotYours for any other."""
    row = _own(session, visitor, result_id)
    values = ((index, getattr(row, index.value)) for index in Index)
    return OwnResult(
        id=result_id,
        farm=row.farm_label,
        field=row.field_label,
        sampled_on=row.sampled_on,
        readings=tuple((index, float(value)) for index, value in values if value is not None),
        is_withdrawn=row.withdrawn_at is not None,
    )


def take_back(session: Session, visitor: Visitor, result_id: int, now: datetime) -> None:
    """Let a result of the visitor's no longer count; it stays, and can be put back.

    NotYours for what somebody else sent, CutcallError where a correction counts instead.
    """
    row = _own(session, visitor, result_id)
    if row.withdrawn_at is None:
        withdrawn.withdraw(session, row, now)
        _look_again(session, row, now)


def put_back(session: Session, visitor: Visitor, result_id: int, now: datetime) -> None:
    """Let a result that was taken back count again; the same errors."""
    row = _own(session, visitor, result_id)
    if row.withdrawn_at is not None:
        withdrawn.put_back(session, row)
        _look_again(session, row, now)


def _own(session: Session, visitor: Visitor, result_id: int) -> LabResult:
    found = withdrawn.find(session, result_id)
    if found is None or found[1] != own_source(visitor):
        raise NotYours("there is no such result of yours here")
    row, _ = found
    if row.field_id is not None:
        require_field(session, visitor, row.field_id)
    if row.replaced_by is not None:
        raise CutcallError("a newer version of this result counts already; take that one back")
    return row


def _look_again(session: Session, row: LabResult, now: datetime) -> None:
    if row.field_id is not None:
        areas.mark_due(session, [fields.get_known(session, row.field_id).area_id], now)
