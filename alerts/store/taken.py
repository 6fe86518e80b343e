"""Many messages that a gateway took, recorded at once.

The usual end of an attempt has two statements for all of them; `outbox.settle` does the rest.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import update
from sqlmodel import Session, col, select

from alerts.domain.delivery import Status
from alerts.store.outbox import log_all
from alerts.store.tables import OutboxMessage


@dataclass(frozen=True, slots=True)
class Taken:
    """A message that a gateway took, and what it said of it."""

    message_id: int
    gateway_id: str
    parts: int | None


def still_sending(session: Session, message_ids: Iterable[int]) -> dict[int, int]:
    """Attempts begun of those that are still on their way, by id, locked until the end of the
    transaction."""
    query = (
        select(col(OutboxMessage.id), OutboxMessage.attempts)
        .where(col(OutboxMessage.id).in_(list(message_ids)), OutboxMessage.status == Status.SENDING)
        .order_by(col(OutboxMessage.id))
        .with_for_update()
    )
    return {number: begun for number, begun in session.exec(query) if number is not None}


def accept(session: Session, taken: Sequence[Taken], now: datetime) -> None:
    """What `outbox.settle` does for one: from ``sending`` to ``accepted``.

    The caller holds their rows, and knows that they are sending, not heard of otherwise yet.
    """
    if not taken:
        return
    ids = [one.message_id for one in taken]
    session.execute(
        update(OutboxMessage),
        [
            {
                "id": one.message_id,
                "gateway_id": one.gateway_id,
                "parts": one.parts,
                "status": Status.ACCEPTED.value,
                "error_code": "",
                "error_detail": "",
                "lease_owner": "",
                "lease_until": None,
                "accepted_at": now,
                "settled_at": now,
            }
            for one in taken
        ],
        execution_options={"synchronize_session": False},
    )
    log_all(session, ids, Status.ACCEPTED, now)
