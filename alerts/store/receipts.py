"""Messages as a gateway's news names them, and those that wait for one address."""

from __future__ import annotations

from datetime import datetime

from sqlmodel import Session, col, select

from alerts.domain.delivery import Status
from alerts.store import outbox
from alerts.store.tables import OutboxMessage


def by_gateway_id(session: Session, gateway_id: str) -> OutboxMessage | None:
    """The message that the gateway knows under this id, locked; None for one that is not ours."""
    query = select(OutboxMessage).where(OutboxMessage.gateway_id == gateway_id)
    return session.exec(query.with_for_update()).first() if gateway_id else None


def by_public_id(session: Session, public_id: str) -> OutboxMessage | None:
    """The message of this id of ours, locked."""
    query = select(OutboxMessage).where(OutboxMessage.public_id == public_id)
    return session.exec(query.with_for_update()).first() if public_id else None


def cancel_to(session: Session, channel: str, address: str, now: datetime, reason: str) -> int:
    """Cancel whatever waits unsent for an address; returns how many."""
    query = select(OutboxMessage).where(
        OutboxMessage.channel == channel,
        OutboxMessage.to_address == address,
        OutboxMessage.status == Status.QUEUED,
    )
    waiting = session.exec(query.order_by(col(OutboxMessage.id)).with_for_update()).all()
    for message in waiting:
        outbox.settle(session, message, Status.CANCELLED, now, detail=reason)
    return len(waiting)
