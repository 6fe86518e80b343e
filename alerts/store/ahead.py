"""What a clock that ran ahead has put off further than anything is ever put off."""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import update
from sqlmodel import Session, col, select

from alerts.domain.delivery import Status
from alerts.store import outbox
from alerts.store.tables import Area, OutboxMessage

LONGEST_WAIT = timedelta(hours=26)
"""A day is 25 hours long where clocks are put back: neither the next morning of an area nor the
next send window lies further ahead."""

LONGEST_LEASE = timedelta(hours=1)
"""No lease of ours is as long."""

WHY = "queued by a clock that ran ahead"


def bring_back(session: Session, now: datetime) -> int:
    """Let what waits for a day that is too far ahead be done now; returns how many rows moved.

    A message that was made on such a day speaks of the wrong days: it is cancelled, and gives its
    key free, since its area is looked at anew.
    """
    too_far, lease = now + LONGEST_WAIT, now + LONGEST_LEASE
    moved = _cancel_made_ahead(session, too_far, now)
    unsent = col(OutboxMessage.status).in_([Status.QUEUED, Status.UNKNOWN])
    for change in (
        update(OutboxMessage)
        .where(col(OutboxMessage.status) == Status.SENDING, col(OutboxMessage.lease_until) > lease)
        .values(lease_until=now),
        update(OutboxMessage)
        .where(unsent, col(OutboxMessage.next_attempt_at) > too_far)
        .values(next_attempt_at=now),
        update(OutboxMessage)
        .where(unsent, col(OutboxMessage.not_before) > too_far)
        .values(not_before=now),
        update(Area).where(col(Area.lease_until) > lease).values(lease_owner="", lease_until=None),
        update(Area).where(col(Area.due_at) > too_far).values(due_at=now),
    ):
        quiet = change.execution_options(synchronize_session=False)
        moved += session.exec(quiet).rowcount
    return moved


def _cancel_made_ahead(session: Session, too_far: datetime, now: datetime) -> int:
    made = session.exec(
        select(OutboxMessage)
        .where(OutboxMessage.status == Status.QUEUED, col(OutboxMessage.created_at) > too_far)
        .order_by(col(OutboxMessage.id))
        .with_for_update()
    ).all()
    for message in made:
        outbox.settle(session, message, Status.CANCELLED, now, detail=WHY)
        if not message.attempts:
            message.dedupe_key += f"|cancelled:{message.id}"
            message.public_id += f"-{message.id}"
    session.flush()
    return len(made)
