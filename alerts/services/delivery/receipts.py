"""What became of accepted texts: asking the gateway for their state, and hearing from it."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta

from sqlmodel import Session

from alerts.domain.delivery import UNDERWAY, Status
from alerts.domain.errors import TransportError
from alerts.services.delivery.sending import STATUS_OF
from alerts.store import opt_outs, outbox
from alerts.store import receipts as named
from alerts.store.session import Sessions
from alerts.store.tables import OutboxMessage
from alerts.transports.base import Channel, Sighting, Transport

log = logging.getLogger(__name__)

ASK_FOR = timedelta(days=2)
"""A text without a final state after this long will not get one any more."""

MOST_FAILURES = 4
"""Answers in a row that may fail before the rest waits for the next tick (our judgement)."""


async def refresh(
    sessions: Sessions,
    transports: Mapping[Channel, Transport],
    clock: Callable[[], datetime],
) -> int:
    """Read back texts that were accepted and have no final state; returns how many moved.

    One answer that fails says nothing of the next; several in a row, that the gateway is down.
    """
    transport = transports.get(Channel.SMS)
    if transport is None:
        return 0
    with sessions.read() as session:
        waiting = outbox.awaiting_receipt(session, clock() - ASK_FOR)
    moved = failures = 0
    for message in waiting:
        try:
            seen = await transport.read_back(message.gateway_id)
        except TransportError as error:
            log.warning("receipts: %s; asked again at the next tick", error)
            failures += 1
            if failures >= MOST_FAILURES:
                break
            continue
        failures = 0
        if seen is not None:
            moved += record(sessions, message.id, seen, clock())
    return moved


def hear(sessions: Sessions, public_id: str, seen: Sighting, now: datetime) -> bool:
    """Take over a status that the gateway reports by itself; True when it moved a message.

    ``public_id`` is our own id, which we gave along when we sent: by it, even a message whose
    outcome nobody knew is proved to exist. Late, repeated, unordered and foreign news change
    nothing.
    """
    with sessions.write_beside() as session:
        row = named.by_gateway_id(session, seen.gateway_id) or _proved(
            session, public_id, seen, now
        )
        if row is None:
            return False
        moved = _settle(session, row, seen, now)
        if moved or row.status == STATUS_OF[seen.delivery]:
            row.gateway_status = seen.status
            session.add(row)
        return moved


def _proved(
    session: Session, public_id: str, seen: Sighting, now: datetime
) -> OutboxMessage | None:
    """The message of this id of ours, as accepted; None where it has another life by now."""
    row = named.by_public_id(session, public_id)
    if row is None or row.gateway_id or not seen.gateway_id:
        return None
    if row.status not in UNDERWAY or not row.attempts:
        return None
    if row.status == Status.QUEUED:  # about to be sent a second time, which is not needed now
        outbox.settle(session, row, Status.SENDING, now, detail="found by its receipt")
    row.gateway_id = seen.gateway_id
    outbox.settle(session, row, Status.ACCEPTED, now, detail="found by its receipt")
    return row


def record(sessions: Sessions, message_id: int | None, seen: Sighting, now: datetime) -> bool:
    """Take over what the gateway says; late and repeated news change nothing."""
    with sessions.write_beside() as session:
        row = outbox.get(session, message_id)
        row.gateway_status = seen.status
        return _settle(session, row, seen, now)


def _settle(session: Session, row: OutboxMessage, seen: Sighting, now: datetime) -> bool:
    """Take the news over; whom the gateway may not write to we must not write to again."""
    status = STATUS_OF[seen.delivery]
    moved = outbox.settle(session, row, status, now, code=seen.code, detail=seen.status)
    if moved and seen.opted_out:
        opt_outs.stop(session, row.channel, row.to_address, now, "at the gateway")
    return moved
