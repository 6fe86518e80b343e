"""Counts for whoever watches the service from outside: what waits, since when, and what went wrong.

In large tables each is a count or a minimum over an index, since it is asked every few seconds.
"""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from sqlmodel import Session, col, func, select

from alerts.domain.delivery import DID_NOT_ARRIVE, Status
from alerts.store.tables import Area, Document, InboundText, LabResult, OutboxMessage, RejectedRow


class Waiting(NamedTuple):
    """How many things wait to be done by now, and since when the one that waits longest."""

    number: int
    since: datetime | None


def messages(session: Session) -> dict[tuple[str, str], int]:
    """How many messages are in each state, by (channel, state)."""
    rows = session.exec(
        select(OutboxMessage.channel, OutboxMessage.status, func.count()).group_by(
            col(OutboxMessage.status), col(OutboxMessage.channel)
        )
    )
    return {(channel, status): number for channel, status, number in rows}


def queue(session: Session, now: datetime) -> dict[str, Waiting]:
    """Messages that might leave by now and have not, by channel."""
    rows = session.exec(
        select(OutboxMessage.channel, func.count(), func.min(OutboxMessage.next_attempt_at))
        .where(
            OutboxMessage.status == Status.QUEUED,
            col(OutboxMessage.next_attempt_at) <= now,
            col(OutboxMessage.not_before) <= now,
        )
        .group_by(col(OutboxMessage.channel))
    )
    return {channel: Waiting(number, since) for channel, number, since in rows}


def dead_letters(session: Session) -> int:
    """Messages that did not arrive and that nobody has dealt with."""
    return session.exec(
        select(func.count())
        .select_from(OutboxMessage)
        .where(
            col(OutboxMessage.status).in_(sorted(DID_NOT_ARRIVE)),
            col(OutboxMessage.dismissed_at).is_(None),
        )
    ).one()


def areas_due(session: Session, now: datetime) -> Waiting:
    """Areas that are to be looked at, worked on or not."""
    row = session.exec(
        select(func.count(), func.min(Area.due_at)).where(col(Area.due_at) <= now)
    ).one()
    return Waiting(*row)


def unmatched_results(session: Session) -> int:
    """Results whose field nobody has enrolled."""
    return session.exec(
        select(func.count())
        .select_from(LabResult)
        .where(col(LabResult.field_id).is_(None), col(LabResult.replaced_by).is_(None))
    ).one()


def rejected_rows(session: Session) -> int:
    return session.exec(select(func.count()).select_from(RejectedRow)).one()


def unread_documents(session: Session) -> int:
    """Documents that were stored and not read to their end."""
    return session.exec(
        select(func.count()).select_from(Document).where(col(Document.read_at).is_(None))
    ).one()


def texts_waiting(session: Session) -> Waiting:
    """Texts that came in and were not handled."""
    row = session.exec(
        select(func.count(), func.min(InboundText.received_at)).where(
            col(InboundText.handled_at).is_(None)
        )
    ).one()
    return Waiting(*row)
