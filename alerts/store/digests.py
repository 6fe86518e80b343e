"""Who reads digests, and what the last one of each said."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date

from sqlmodel import Session, col, select

from alerts.domain.delivery import TOLD, UNDERWAY
from alerts.store.tables import Area, DigestSent, Farm, FarmField, OutboxMessage, Person


@dataclass(frozen=True, slots=True)
class LastDigest:
    """The last digest of somebody: when one was queued, and what the last that left said."""

    queued_on: date
    on: date | None = None  # None: none ever left
    said: Mapping[str, object] = field(default_factory=dict)


def last_digests(session: Session, person_ids: Iterable[int]) -> dict[int, LastDigest]:
    """The last digest of each of these people that has had one queued.

    Told means taken: one that failed or expired has said nothing.
    """
    rows = session.exec(
        select(DigestSent, OutboxMessage.status)
        .join(OutboxMessage, col(OutboxMessage.dedupe_key) == col(DigestSent.key), isouter=True)
        .where(col(DigestSent.person_id).in_(list(person_ids)))
    )
    return {row.person_id: _last(row, status in TOLD | UNDERWAY) for row, status in rows}


def _last(row: DigestSent, taken: bool) -> LastDigest:
    if taken:
        return LastDigest(row.sent_on, row.sent_on, row.said)
    return LastDigest(row.sent_on, row.before_on, row.before)


def put_sent(
    session: Session, person_id: int, sent_on: date, said: Mapping[str, object], key: str
) -> None:
    """Keep what the digest of this day says, beside what the last that left said."""
    before = last_digests(session, [person_id]).get(person_id)
    row = session.get(DigestSent, person_id) or DigestSent(
        person_id=person_id, sent_on=sent_on, said={}, key=key
    )
    if before is not None:
        row.before_on, row.before = before.on, dict(before.said)
    row.sent_on, row.said, row.key = sent_on, dict(said), key
    session.add(row)


def put_unchanged(session: Session, person_id: int, on: date) -> None:
    """Keep that nothing had changed on this day: a later digest compares with it.

    Whoever never had a digest has nothing to compare with, and nothing is kept.
    """
    row = session.get(DigestSent, person_id)
    if row is not None:
        row.sent_on = on
        session.add(row)


@dataclass(frozen=True, slots=True)
class Reader:
    """A consultant with open clients, and the time zone of the first of their areas."""

    person: Person
    time_zone: str


def readers(session: Session) -> list[Reader]:
    """Consultants in the order they were enrolled; one without an open field reads no digest."""
    rows = session.exec(
        select(Person, Area.time_zone)
        .join(Farm, col(Farm.consultant_id) == col(Person.id))
        .join(Area, col(Area.id) == col(Farm.area_id))
        .where(
            col(Farm.id).in_(select(FarmField.farm_id).where(col(FarmField.closed_on).is_(None)))
        )
        .order_by(col(Person.id), col(Area.name))
    )
    first: dict[int | None, Reader] = {}
    for person, zone in rows:
        first.setdefault(person.id, Reader(person, zone))
    return list(first.values())
