"""Texts that do not reach their number, and the emails that go in their place."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import ColumnElement, and_, or_
from sqlmodel import Session, col, select

from alerts.domain.decision import NEWS, START_KINDS
from alerts.domain.delivery import TOLD, UNDERWAY, Status
from alerts.store.tables import (
    DeliveryEvent,
    Gateway,
    OptOut,
    OutboxMessage,
    Person,
)

LOST = frozenset({Status.FAILED, Status.UNDELIVERED})
"""The gateway or the carrier has said that a text does not arrive."""

STUCK = frozenset({Status.QUEUED, Status.UNKNOWN})
"""The gateway has not taken a text, or could not be asked whether it did."""


# ------------------------------------------------------------------------ finding texts


def lost(session: Session, now: datetime) -> list[OutboxMessage]:
    """Texts that did not arrive, whose words are of use still, oldest first."""
    return _texts(session, now, col(OutboxMessage.status).in_(sorted(LOST)))


def stuck(
    session: Session, now: datetime, *, since: datetime, rather_since: datetime, until: datetime
) -> list[OutboxMessage]:
    """Texts that the gateway has not taken although it was tried, oldest first.

    They might leave since ``since``; or since ``rather_since``, and are of no use after ``until``.
    A text that nobody tried to send, say because no sender ran, is not among them.
    """
    message = OutboxMessage
    waited = or_(
        col(message.not_before) <= since,
        and_(col(message.not_before) <= rather_since, col(message.expires_at) <= until),
    )
    failing = select(Gateway.channel).where(col(Gateway.failing_since).is_not(None))
    tried = or_(col(message.attempts) > 0, col(message.channel).in_(failing))
    lately = select(DeliveryEvent.id).where(
        DeliveryEvent.message_id == message.id, col(DeliveryEvent.at) > rather_since
    )
    settling = and_(col(message.status) == Status.UNKNOWN, lately.exists())
    return _texts(session, now, col(message.status).in_(sorted(STUCK)), waited, tried, ~settling)


def _texts(session: Session, now: datetime, *which: ColumnElement[bool]) -> list[OutboxMessage]:
    """Those of these texts that no email stands in for yet, to people who want one."""
    emails = col(OutboxMessage.fallback_of)
    stood_in_for = select(emails).where(emails.is_not(None))
    rows = session.exec(
        select(OutboxMessage)
        .join(Person, col(Person.id) == col(OutboxMessage.person_id))
        .where(
            OutboxMessage.channel == "sms",
            col(OutboxMessage.kind).in_(sorted(NEWS)),
            col(OutboxMessage.expires_at) > now,
            col(Person.email_if_unreached).is_(True),
            Person.email != "",
            *which,
            col(OutboxMessage.id).not_in(stood_in_for),
        )
        .order_by(col(OutboxMessage.id))
    )
    return list(rows)


# ------------------------------------------------------------------------ is it worth one


def has_email(session: Session, text_id: int) -> bool:
    """Whether an email was queued in the place of a text, whatever became of it."""
    query = select(OutboxMessage.id).where(OutboxMessage.fallback_of == text_id)
    return session.exec(query.limit(1)).first() is not None


def was_stopped(session: Session, text: OutboxMessage) -> bool:
    """Whether the number asked for no texts, now or at any time since the text was queued."""
    found = session.exec(
        select(OptOut.id).where(
            OptOut.channel == text.channel,
            OptOut.address == text.to_address,
            or_(col(OptOut.ended_at).is_(None), col(OptOut.at) >= text.created_at),
        )
    )
    return found.first() is not None


def is_emailed_anyway(session: Session, text: OutboxMessage) -> bool:
    """Whether the person has an email of their own that tells the same."""
    found = session.exec(
        select(OutboxMessage.id)
        .where(
            OutboxMessage.channel == "email",
            OutboxMessage.person_id == text.person_id,
            OutboxMessage.kind == text.kind,
            OutboxMessage.told_on == text.told_on,
            col(OutboxMessage.farm_id).is_not_distinct_from(text.farm_id),
            col(OutboxMessage.cutting).is_not_distinct_from(text.cutting),
            OutboxMessage.status != Status.CANCELLED,
        )
        .limit(1)
    )
    return found.first() is not None


def is_overtaken(session: Session, text: OutboxMessage) -> bool:
    """Whether the person has, or waits for, a newer message that says the same, or a newer date.

    One that failed counts too: an email in its place says what is newest.
    """
    assert text.id is not None
    dates = START_KINDS if text.kind in START_KINDS else {text.kind}
    found = session.exec(
        select(OutboxMessage.id)
        .where(
            col(OutboxMessage.id) > text.id,
            OutboxMessage.person_id == text.person_id,
            col(OutboxMessage.farm_id).is_not_distinct_from(text.farm_id),
            col(OutboxMessage.cutting).is_not_distinct_from(text.cutting),
            col(OutboxMessage.kind).in_(sorted(dates)),
            col(OutboxMessage.status).in_(sorted(TOLD | UNDERWAY | LOST)),
        )
        .limit(1)
    )
    return found.first() is not None


# ------------------------------------------------------------------------ showing them


def emails_of(session: Session, text_ids: Iterable[int]) -> dict[int, OutboxMessage]:
    """The emails queued in the place of these texts, by the text's id."""
    rows = session.exec(
        select(OutboxMessage).where(col(OutboxMessage.fallback_of).in_(sorted(set(text_ids))))
    )
    return {row.fallback_of: row for row in rows if row.fallback_of is not None}
