"""What became of accepted texts: asking the gateway for their state."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta

from alerts.domain.errors import TransportError
from alerts.services.dispatch import STATUS_OF
from alerts.store import outbox
from alerts.store.session import Sessions
from alerts.transports.base import Channel, Sighting, Transport

log = logging.getLogger(__name__)

ASK_FOR = timedelta(days=2)
"""A text without a final state after this long will not get one any more."""


async def refresh(
    sessions: Sessions,
    transports: Mapping[Channel, Transport],
    clock: Callable[[], datetime],
) -> int:
    """Read back texts that were accepted and have no final state; returns how many moved."""
    transport = transports.get(Channel.SMS)
    if transport is None:
        return 0
    with sessions.read() as session:
        waiting = outbox.awaiting_receipt(session, clock() - ASK_FOR)
    moved = 0
    for message in waiting:
        try:
            seen = await transport.read_back(message.gateway_id)
        except TransportError as error:
            log.warning("receipts: %s; asked again at the next tick", error)
            break
        if seen is not None:
            moved += record(sessions, message.id, seen, clock())
    return moved


def record(sessions: Sessions, message_id: int | None, seen: Sighting, now: datetime) -> bool:
    """Take over what the gateway says; late and repeated news change nothing."""
    with sessions.write() as session:
        row = outbox.get(session, message_id)
        row.gateway_status = seen.status
        return outbox.settle(
            session, row, STATUS_OF[seen.delivery], now, code=seen.code, detail=seen.status
        )
