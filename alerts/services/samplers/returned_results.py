"""What came back to a sampler: newest results, and those that wait for their field.

Of results that nobody has a field for yet, a sampler sees those that can only be theirs: what they
sent themselves, and what names a farm that is theirs and nobody else's. The rest is the operator's.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from sqlmodel import Session

from alerts.domain.errors import CutcallError
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.names import name_key
from alerts.domain.records import Index, Method
from alerts.services.access import scope
from alerts.services.access.links import Visitor
from alerts.services.access.scope import NotYours, require_field
from alerts.services.results.match_results import assign
from alerts.services.samplers.withdrawals import own_source
from alerts.store import documents, fields, results, sampled
from alerts.store.results import Unmatched
from alerts.store.sampled import Returned
from alerts.store.tables import LabResult

NEWEST = 40
"""Results listed; a morning's round of a sampler is rarely more."""

MOST_NOTES = 4
"""Flags beside one result."""


@dataclass(frozen=True, slots=True)
class ReturnedResult:
    """One result with what is to be known of it."""

    id: int
    farm: str
    field: str
    sampled_on: date
    came_at: datetime
    method: Method
    lab: str
    lab_number: str
    readings: tuple[tuple[Index, float], ...]
    spots: int
    flags: tuple[str, ...]
    is_own: bool  # the visitor sent it, and may take it back
    is_withdrawn: bool


@dataclass(frozen=True, slots=True)
class WaitingGroup:
    """Results under one pair of names for which no field was found."""

    farm_label: str
    field_label: str
    lines: tuple[str, ...]  # what each says


def returned_results(
    session: Session, visitor: Visitor, season_first_day: date
) -> list[ReturnedResult]:
    """Newest results of the visitor's fields this season, what came last first."""
    farms = scope.farm_ids(session, visitor)
    found = sampled.newest_results(session, farms, season_first_day, NEWEST)
    notes = sampled.notes_of_documents(session, (one.result.document_id for one in found))
    return [_returned(one, notes, own_source(visitor)) for one in found]


def _returned(
    one: Returned, notes: Mapping[tuple[int, int], list[str]], own: str
) -> ReturnedResult:
    row = one.result
    values = ((index, getattr(row, index.value)) for index in Index)
    return ReturnedResult(
        id=row.id or 0,
        farm=one.farm.name,
        field=one.field.name,
        sampled_on=row.sampled_on,
        came_at=row.received_at,
        method=Method(row.method),
        lab=row.lab,
        lab_number=row.lab_number,
        readings=tuple((index, float(value)) for index, value in values if value is not None),
        spots=row.spots,
        flags=tuple([*_flags(row), *notes.get((row.document_id, row.row), [])][:MOST_NOTES]),
        is_own=one.source == own,
        is_withdrawn=row.withdrawn_at is not None,
    )


def _flags(row: LabResult) -> Iterator[str]:
    if row.withdrawn_at is not None:
        yield "taken back: does not count"
    if row.late_in_day and row.sampled_at is not None:
        yield f"clipped at {row.sampled_at:%H:%M}, late in the day: counts with a wider error"
    if row.version > 1:
        yield "corrects an earlier result"


# ------------------------------------------------------------------ waiting for a field


def waiting_results(session: Session, visitor: Visitor) -> list[WaitingGroup]:
    """Waiting results that can only be the visitor's."""
    return [
        WaitingGroup(group.farm_label, group.field_label, tuple(map(_line, group.results)))
        for group in _visible(session, visitor)
    ]


def _line(entry: tuple[LabResult, str]) -> str:
    row, document = entry
    number = f", number {row.lab_number}" if row.lab_number else ""
    return f"{row.sampled_on.isoformat()}, {row.lab or document}{number}"


def _visible(session: Session, visitor: Visitor) -> list[Unmatched]:
    waiting = results.unmatched(session)
    sources = documents.sources(
        session, {row.document_id for group in waiting for row, _ in group.results}
    )
    own = own_source(visitor)
    theirs = _theirs(session, visitor, waiting)
    found = []
    for group in waiting:
        whole = _key(group) in theirs
        kept = [one for one in group.results if whole or sources[one[0].document_id] == own]
        if kept:
            found.append(group._replace(results=kept))
    return found


def _key(group: Unmatched) -> tuple[str, str]:
    return name_key(group.farm_label), name_key(group.field_label)


def _theirs(session: Session, visitor: Visitor, waiting: list[Unmatched]) -> set[tuple[str, str]]:
    """Pairs of names that lead to farms of the visitor's and to no other."""
    scope_ids = scope.farm_ids(session, visitor)
    keys = [_key(group) for group in waiting]
    farms = sampled.farms_named(session, (farm for farm, _ in keys))
    candidates = fields.find_fields(session, keys)
    found = set()
    for key in keys:
        led_to = {one.farm_id for one in candidates.get(key, [])} | farms.get(key[0], set())
        if led_to and led_to <= scope_ids:
            found.add(key)
    return found


def assign_waiting(
    session: Session,
    visitor: Visitor,
    *,
    farm_label: str,
    field_label: str,
    field_id: int,
    guidelines: GuidelineSet,
    now: datetime,
) -> int:
    """Give the waiting results under these names their field; returns how many.

    Only results the visitor sees are assigned. The name is remembered where it stands beside a
    farm of the visitor's; without a farm, it may be another's field next time. NotYours for names
    or fields outside the scope.
    """
    field = require_field(session, visitor, field_id)
    wanted = (name_key(farm_label), name_key(field_label))
    groups = [group for group in _visible(session, visitor) if _key(group) == wanted]
    if not groups:
        raise NotYours("no results wait under these names; they may have their field already")
    if field.closed_on is not None:
        raise CutcallError(f"{field.name} is closed; choose the field that was sampled")
    if wanted[0] and wanted in _theirs(session, visitor, groups):
        fields.add_name(session, field_id, farm_label, field_label)
    known = fields.get_known(session, field_id)
    rows = [row for group in groups for row, _ in group.results]
    return assign(session, rows, known, guidelines, now)
