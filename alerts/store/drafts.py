"""Queueing many messages at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlmodel import Session, col, select

from alerts.store import bulk, outbox
from alerts.store.many import one_of
from alerts.store.outbox import FieldStart
from alerts.store.racing import added
from alerts.store.tables import DeliveryEvent, MessageField, OutboxMessage


@dataclass(frozen=True, slots=True)
class Draft:
    """A message to be queued, with the fields whose dates it tells."""

    message: OutboxMessage
    fields: Sequence[FieldStart] = ()


def enqueue_all(session: Session, drafts: Sequence[Draft]) -> None:
    """:func:`outbox.enqueue` each of them; no two have the same key."""
    if not drafts:
        return
    known = _known(session, [draft.message.dedupe_key for draft in drafts])
    new = [draft for draft in drafts if draft.message.dedupe_key not in known]
    if not _are_added(session, new):
        new = []  # somebody was faster with one of them
    done = {id(draft) for draft in new}
    for draft in drafts:
        if id(draft) not in done:
            outbox.enqueue(session, draft.message, draft.fields)


def _known(session: Session, keys: Sequence[str]) -> set[str]:
    """Those of the keys that have a message."""
    same = one_of(session, col(OutboxMessage.dedupe_key), keys)
    return set(session.exec(select(OutboxMessage.dedupe_key).where(same)))


def _are_added(session: Session, drafts: Sequence[Draft]) -> bool:
    """Add messages whose keys are new; False, and nothing done, when one is there by now."""
    messages = [draft.message for draft in drafts]
    if not added(session, *messages):
        return False
    told = [
        (draft.message.id, position, field)
        for draft in drafts
        for position, field in enumerate(draft.fields)
    ]
    bulk.insert(
        session,
        MessageField,
        {
            "message_id": [number for number, _, _ in told],
            "field_id": [field.field_id for _, _, field in told],
            "position": [position for _, position, _ in told],
            "start_on": [field.start_on for _, _, field in told],
        },
    )
    bulk.insert(
        session,
        DeliveryEvent,
        {
            "message_id": [message.id for message in messages],
            "at": [message.created_at for message in messages],
            "status": [message.status for message in messages],
            "code": [message.error_code for message in messages],
            "detail": [message.error_detail for message in messages],
        },
    )
    return True
