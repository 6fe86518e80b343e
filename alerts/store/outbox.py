"""The outbox: queueing a message beside its decision, claiming, and recording what became of it.

Nothing here commits, and nothing here talks to a gateway.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import insert, or_, update
from sqlmodel import Session, col, delete, select

from alerts.domain.decision import START_KINDS
from alerts.domain.delivery import TOLD, UNDERWAY, WAITING_FOR_RECEIPT, Status, advance
from alerts.domain.quiet_hours import next_allowed
from alerts.store.racing import added
from alerts.store.tables import Area, DeliveryEvent, Farm, MessageField, OutboxMessage


@dataclass(frozen=True, slots=True)
class FieldStart:
    """A field's own start date as a message tells it."""

    field_id: int
    start_on: date | None


# ------------------------------------------------------------------------ queueing


def enqueue(
    session: Session, message: OutboxMessage, fields: Iterable[FieldStart] = ()
) -> OutboxMessage | None:
    """Queue a message unless one with its ``dedupe_key`` exists.

    A message that still waits to be sent is overtaken by newer words for the same purpose; one
    that left already is not repeated, and None is returned.
    """
    known = _same_purpose(session, message)
    if known is None and not added(session, message):
        known = _same_purpose(session, message)  # somebody was faster
    if known is None:
        _log(session, message, message.created_at)
        _set_fields(session, message, fields)
        return message
    if known.status != Status.QUEUED or known.attempts:
        return None
    for name in _REPLACEABLE:
        setattr(known, name, getattr(message, name))
    session.add(known)
    _set_fields(session, known, fields)
    return known


def _same_purpose(session: Session, message: OutboxMessage) -> OutboxMessage | None:
    """The message of this key, locked: no sender takes it while its words are replaced."""
    same = select(OutboxMessage).where(OutboxMessage.dedupe_key == message.dedupe_key)
    return session.exec(same.with_for_update()).first()


_REPLACEABLE = (
    "kind",
    "start_on",
    "subject",
    "text",
    "html",
    "attachments",
    "to_address",
    "expires_at",
)


def _set_fields(session: Session, message: OutboxMessage, fields: Iterable[FieldStart]) -> None:
    assert message.id is not None
    session.exec(delete(MessageField).where(col(MessageField.message_id) == message.id))
    for position, field in enumerate(fields):
        session.add(
            MessageField(
                message_id=message.id,
                field_id=field.field_id,
                position=position,
                start_on=field.start_on,
            )
        )


def cancel_waiting(
    session: Session,
    farm_id: int,
    now: datetime,
    reason: str,
    *,
    untried_only: bool = False,
    before: date | None = None,
) -> int:
    """Cancel a farm's start-date messages that wait unsent; returns how many.

    ``before`` spares those of the send window of that day and later ones. A message that was never
    tried gives its key free, so that the same window can still speak.
    """
    waiting = session.exec(
        select(OutboxMessage)
        .where(
            OutboxMessage.farm_id == farm_id,
            OutboxMessage.status == Status.QUEUED,
            col(OutboxMessage.kind).in_(sorted(START_KINDS)),
        )
        .order_by(col(OutboxMessage.id))
        .with_for_update()
    ).all()
    chosen = [
        message
        for message in waiting
        if not (untried_only and message.attempts) and (before is None or message.told_on < before)
    ]
    for message in chosen:
        settle(session, message, Status.CANCELLED, now, detail=reason)
        if not message.attempts:
            message.dedupe_key += f"|cancelled:{message.id}"
            message.public_id += f"-{message.id}"
    return len(chosen)


def farms_waiting(session: Session, farm_ids: Iterable[int]) -> frozenset[int]:
    """Those of the farms that have start-date messages waiting unsent."""
    found = session.exec(
        select(OutboxMessage.farm_id).where(
            col(OutboxMessage.farm_id).in_(list(farm_ids)),
            OutboxMessage.status == Status.QUEUED,
            col(OutboxMessage.kind).in_(sorted(START_KINDS)),
        )
    )
    return frozenset(farm_id for farm_id in found if farm_id is not None)


# ------------------------------------------------------------------------ claiming


def hold_closed_windows(session: Session, channel: str, now: datetime) -> None:
    """Put off what would go to a farm outside its send window.

    Messages are queued for a window, but one that a gateway put off, or that waited while no
    sender ran, must not ring at night either.
    """
    due = (
        col(OutboxMessage.status) == Status.QUEUED,
        col(OutboxMessage.channel) == channel,
        col(OutboxMessage.next_attempt_at) <= now,
        col(OutboxMessage.not_before) <= now,
    )
    windows = session.exec(
        select(col(Farm.send_from), col(Farm.send_to), col(Area.time_zone))
        .join(Area, col(Area.id) == col(Farm.area_id))
        .join(OutboxMessage, col(OutboxMessage.farm_id) == col(Farm.id))
        .where(*due)
        .distinct()
    ).all()
    for send_from, send_to, zone in windows:
        opens = next_allowed(now, zone, send_from, send_to)
        if opens > now:
            farms = (
                select(Farm.id)
                .join(Area, col(Area.id) == col(Farm.area_id))
                .where(
                    Farm.send_from == send_from,
                    Farm.send_to == send_to,
                    Area.time_zone == zone,
                )
            )
            held = select(OutboxMessage.id).where(*due, col(OutboxMessage.farm_id).in_(farms))
            session.exec(
                update(OutboxMessage)
                .where(col(OutboxMessage.id).in_(held.with_for_update(skip_locked=True)))
                .values(not_before=opens)
                .execution_options(synchronize_session=False)
            )


def claim(
    session: Session, *, channel: str, owner: str, now: datetime, lease: timedelta, limit: int
) -> list[OutboxMessage]:
    """Take up to ``limit`` messages of a channel that may go out now, as ``sending``."""
    ids = session.exec(
        select(OutboxMessage.id)
        .where(
            OutboxMessage.status == Status.QUEUED,
            OutboxMessage.channel == channel,
            col(OutboxMessage.next_attempt_at) <= now,
            col(OutboxMessage.not_before) <= now,
            col(OutboxMessage.expires_at) > now,
        )
        .order_by(col(OutboxMessage.next_attempt_at), col(OutboxMessage.id))
        .limit(limit)
        .with_for_update(skip_locked=True)
    ).all()
    if not ids:
        return []
    messages = session.scalars(
        update(OutboxMessage)
        .where(col(OutboxMessage.id).in_(ids))
        .values(
            status=Status.SENDING,
            lease_owner=owner,
            lease_until=now + lease,
            attempts=OutboxMessage.attempts + 1,
            error_code="",
            error_detail="",
        )
        .returning(OutboxMessage)
        .execution_options(synchronize_session=False, populate_existing=True)
    ).all()
    log_all(session, ids, Status.SENDING, now)
    # An UPDATE gives rows back in any order.
    return sorted(messages, key=lambda message: (message.next_attempt_at, message.id))


def lapsed(
    session: Session, now: datetime, longest: timedelta | None = None
) -> list[OutboxMessage]:
    """Messages whose sender died in the act: nobody knows whether they left.

    A lease that ends later than ``longest`` from now was taken by a clock that ran ahead.
    """
    over = col(OutboxMessage.lease_until) < now
    if longest is not None:
        over = or_(over, col(OutboxMessage.lease_until) > now + longest)
    query = select(OutboxMessage).where(OutboxMessage.status == Status.SENDING, over)
    return list(session.exec(query.with_for_update(skip_locked=True)))


def take_unclear(
    session: Session, *, channel: str, now: datetime, lease: timedelta, limit: int
) -> list[OutboxMessage]:
    """Up to ``limit`` messages to ask the gateway about, now that it had time to settle.

    Nobody else is given them before the ``lease`` is over.
    """
    query = (
        select(OutboxMessage)
        .where(
            OutboxMessage.status == Status.UNKNOWN,
            OutboxMessage.channel == channel,
            col(OutboxMessage.next_attempt_at) <= now,
        )
        .order_by(col(OutboxMessage.id))
        .limit(limit)
    )
    taken = session.exec(query.with_for_update(skip_locked=True)).all()
    for message in taken:
        message.next_attempt_at = now + lease
        session.add(message)
    return list(taken)


def awaiting_receipt(session: Session, since: datetime) -> list[OutboxMessage]:
    return list(
        session.exec(
            select(OutboxMessage)
            .where(
                col(OutboxMessage.status).in_(sorted(WAITING_FOR_RECEIPT)),
                OutboxMessage.channel == "sms",
                col(OutboxMessage.accepted_at) >= since,
            )
            .order_by(col(OutboxMessage.id))
        )
    )


def stale(session: Session, now: datetime) -> list[OutboxMessage]:
    """Queued messages that nobody needs any more."""
    query = select(OutboxMessage).where(
        OutboxMessage.status == Status.QUEUED, col(OutboxMessage.expires_at) <= now
    )
    return list(session.exec(query.with_for_update(skip_locked=True)))


# ----------------------------------------------------------------------- recording


def settle(
    session: Session,
    message: OutboxMessage,
    status: Status,
    now: datetime,
    *,
    code: str = "",
    detail: str = "",
) -> bool:
    """Move a message to ``status`` if that step is allowed; every step is kept as an event."""
    reached = advance(Status(message.status), status)
    if reached is not status or message.status == status:
        return False
    message.status = status
    message.error_code, message.error_detail = code, detail
    if status is not Status.SENDING:
        message.lease_owner, message.lease_until = "", None
    if status in TOLD and message.accepted_at is None:
        message.accepted_at = now
    if status not in UNDERWAY:
        message.settled_at = now
    session.add(message)
    _log(session, message, now)
    return True


def _log(session: Session, message: OutboxMessage, now: datetime) -> None:
    assert message.id is not None
    session.add(
        DeliveryEvent(
            message_id=message.id,
            at=now,
            status=message.status,
            code=message.error_code,
            detail=message.error_detail,
        )
    )


def log_all(
    session: Session, message_ids: Sequence[int | None], status: Status, now: datetime
) -> None:
    """Keep one step of many messages, of which there is nothing to say, in one statement."""
    event = {"at": now, "status": status.value, "code": "", "detail": ""}
    session.execute(
        insert(DeliveryEvent), [{"message_id": number, **event} for number in message_ids]
    )


# ------------------------------------------------------------------------- reading


def recent(session: Session, limit: int) -> list[OutboxMessage]:
    return list(
        session.exec(select(OutboxMessage).order_by(col(OutboxMessage.id).desc()).limit(limit))
    )


def is_known(session: Session, dedupe_key: str) -> bool:
    found = session.exec(select(OutboxMessage.id).where(OutboxMessage.dedupe_key == dedupe_key))
    return found.first() is not None


def get(session: Session, message_id: int | None) -> OutboxMessage:
    """A message as it stands now, locked until the end of the transaction."""
    return session.get_one(OutboxMessage, message_id, with_for_update=True)


def get_all(session: Session, message_ids: Iterable[int | None]) -> dict[int | None, OutboxMessage]:
    """Messages as they stand now, by id, locked until the end of the transaction."""
    query = (
        select(OutboxMessage)
        .where(col(OutboxMessage.id).in_(list(message_ids)))
        .order_by(col(OutboxMessage.id))
        .with_for_update()
    )
    return {message.id: message for message in session.exec(query)}
