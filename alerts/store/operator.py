"""What an operator looks at: messages and documents that need somebody, sign-ups, opt-outs."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import ColumnElement, and_, func, or_
from sqlalchemy.orm import defer
from sqlmodel import Session, col, select
from sqlmodel.sql.expression import SelectOfScalar

from alerts.domain.decision import START_KINDS
from alerts.domain.delivery import DID_NOT_ARRIVE, TOLD, UNDERWAY, WAITING_FOR_RECEIPT, Status
from alerts.store.documents import FROM_CONSULTANT
from alerts.store.inbound import HANDLING_FAILED
from alerts.store.tables import (
    Area,
    DeliveryEvent,
    Document,
    Farm,
    FarmField,
    InboundText,
    MessageField,
    OptOut,
    OutboxMessage,
    Person,
    RejectedRow,
    SignUp,
)

_WITHOUT_WORDS = tuple(
    defer(column, raiseload=True)  # type: ignore[arg-type]
    for column in (
        OutboxMessage.text,
        OutboxMessage.html,
        OutboxMessage.subject,
        OutboxMessage.attachments,
    )
)
"""Lists do without what makes a message large."""


class StateCount(NamedTuple):
    status: str
    messages: int
    oldest: datetime  # when the oldest was queued


class MessageOf(NamedTuple):
    """A message, without its words, with the names it concerns."""

    message: OutboxMessage
    person: str
    farm: str  # "" where it is about none


# ------------------------------------------------------------------------ messages


def states(session: Session) -> list[StateCount]:
    """Messages that are on their way, by state; a mail server's word on an email is the last."""
    travelling = and_(
        col(OutboxMessage.status).in_(sorted(WAITING_FOR_RECEIPT)),
        col(OutboxMessage.channel) == "sms",
        col(OutboxMessage.dismissed_at).is_(None),
    )
    rows = session.exec(
        select(OutboxMessage.status, func.count(), func.min(OutboxMessage.created_at))
        .where(or_(col(OutboxMessage.status).in_(sorted(UNDERWAY)), travelling))
        .group_by(col(OutboxMessage.status))
    )
    return [StateCount(*row) for row in rows]


def failures(session: Session) -> list[MessageOf]:
    """Messages that did not arrive and that nobody has dealt with, newest first.

    Without those in whose place an email went.
    """
    return _messages(session, *_FAILED, col(OutboxMessage.id).not_in(_emailed()))


def emailed(session: Session) -> list[MessageOf]:
    """Texts that did not arrive and in whose place an email went, newest first."""
    return _messages(session, *_FAILED, col(OutboxMessage.id).in_(_emailed()))


_FAILED = (
    col(OutboxMessage.status).in_(sorted(DID_NOT_ARRIVE)),
    col(OutboxMessage.dismissed_at).is_(None),
)


def _emailed() -> SelectOfScalar[int | None]:
    """Ids of texts that an email stands in for; one that failed stands in for nothing."""
    text_id = col(OutboxMessage.fallback_of)
    stands = col(OutboxMessage.status).in_(sorted(TOLD | UNDERWAY))
    return select(text_id).where(text_id.is_not(None), stands)


def whole_failures(session: Session, limit: int) -> list[OutboxMessage]:
    """The newest of `failures` with their words."""
    query = (
        select(OutboxMessage)
        .where(*_FAILED, col(OutboxMessage.id).not_in(_emailed()))
        .order_by(col(OutboxMessage.id).desc())
    )
    return list(session.exec(query.limit(limit)))


def unclear(session: Session) -> list[MessageOf]:
    """Messages of which nobody knows whether they left, newest first."""
    return _messages(session, col(OutboxMessage.status) == Status.UNKNOWN)


def without_receipt(session: Session, before: datetime) -> list[MessageOf]:
    """Texts a gateway took before this moment and has said nothing final of, newest first."""
    return _messages(
        session,
        col(OutboxMessage.channel) == "sms",
        col(OutboxMessage.status).in_(sorted(WAITING_FOR_RECEIPT)),
        col(OutboxMessage.accepted_at) < before,
        col(OutboxMessage.dismissed_at).is_(None),
    )


def _messages(session: Session, *which: ColumnElement[bool]) -> list[MessageOf]:
    rows = session.exec(
        select(OutboxMessage, Person.name, Farm.name)
        .join(Person, col(Person.id) == col(OutboxMessage.person_id))
        .outerjoin(Farm, col(Farm.id) == col(OutboxMessage.farm_id))
        .where(*which)
        .order_by(col(OutboxMessage.id).desc())
        .options(*_WITHOUT_WORDS)
    )
    return [MessageOf(message, person, farm or "") for message, person, farm in rows]


def find_message(
    session: Session, message_id: int, *, locked: bool = False
) -> OutboxMessage | None:
    """A whole message; ``locked`` keeps it as it is until the end of the transaction."""
    return session.get(OutboxMessage, message_id, with_for_update=locked)


def steps(session: Session, message_id: int) -> Sequence[DeliveryEvent]:
    """What happened to a message, in order."""
    return session.exec(
        select(DeliveryEvent)
        .where(DeliveryEvent.message_id == message_id)
        .order_by(col(DeliveryEvent.id))
    ).all()


def sent_again(session: Session, message_id: int) -> Sequence[OutboxMessage]:
    """Messages that were queued to say this one again."""
    return session.exec(
        select(OutboxMessage)
        .where(OutboxMessage.resent_of == message_id)
        .order_by(col(OutboxMessage.id))
    ).all()


def email_instead(session: Session, message_id: int) -> OutboxMessage | None:
    """The email that was queued in the place of this text, whatever became of it."""
    query = select(OutboxMessage).where(OutboxMessage.fallback_of == message_id)
    return session.exec(query).first()


def fields_told(session: Session, message_id: int) -> Sequence[MessageField]:
    """The fields a message tells of, in harvest order."""
    return session.exec(
        select(MessageField)
        .where(MessageField.message_id == message_id)
        .order_by(col(MessageField.position))
    ).all()


def is_overtaken(session: Session, message: OutboxMessage) -> bool:
    """Whether newer words on a start date have reached, or may still reach, its address."""
    found = session.exec(
        select(OutboxMessage.id)
        .where(
            col(OutboxMessage.id) > message.id,
            OutboxMessage.channel == message.channel,
            OutboxMessage.to_address == message.to_address,
            OutboxMessage.farm_id == message.farm_id,
            OutboxMessage.cutting == message.cutting,
            col(OutboxMessage.kind).in_(sorted(START_KINDS)),
            col(OutboxMessage.status).in_(sorted(TOLD | UNDERWAY)),
        )
        .limit(1)
    )
    return found.first() is not None


def stands_at(session: Session, farm_id: int, cutting: int) -> bool:
    """Whether a farm has an open field whose cutting of this number is still to come."""
    found = session.exec(
        select(FarmField.id)
        .where(
            FarmField.farm_id == farm_id,
            FarmField.cutting == cutting,
            col(FarmField.closed_on).is_(None),
        )
        .limit(1)
    )
    return found.first() is not None


def farm_and_zone(session: Session, farm_id: int) -> tuple[Farm, str]:
    """A farm and the time zone of its area."""
    return session.exec(
        select(Farm, Area.time_zone)
        .join(Area, col(Area.id) == col(Farm.area_id))
        .where(col(Farm.id) == farm_id)
    ).one()


# ----------------------------------------------------------------------- documents


def faulty_documents(session: Session) -> list[tuple[Document, list[RejectedRow]]]:
    """Documents refused as a whole, or of which rows wait for the operator, newest first."""
    rows: dict[int, list[RejectedRow]] = {}
    for row in session.exec(select(RejectedRow).order_by(col(RejectedRow.row))):
        rows.setdefault(row.document_id, []).append(row)
    waits = and_(
        or_(col(Document.refusal) != "", col(Document.id).in_(select(RejectedRow.document_id))),
        ~col(Document.source).startswith(FROM_CONSULTANT),
    )
    return [(found, rows.get(found.id or 0, [])) for found in _documents(session, waits)]


def unread_documents(session: Session) -> list[Document]:
    """Documents that were stored and not read to their end, newest first."""
    return _documents(session, col(Document.read_at).is_(None))


def _documents(session: Session, which: ColumnElement[bool]) -> list[Document]:
    """Documents without their content, which may be large."""
    query = select(Document).where(which).order_by(col(Document.id).desc())
    return list(session.exec(query.options(defer(Document.content, raiseload=True))))  # type: ignore[arg-type]


# -------------------------------------------------------------- fields, people, addresses


def advisers(session: Session, role: str) -> Sequence[Person]:
    """Everybody who is the ``consultant`` or ``sampler`` of a farm."""
    column = Farm.consultant_id if role == "consultant" else Farm.sampler_id
    query = select(Person).where(col(Person.id).in_(select(column)))
    return session.exec(query.order_by(col(Person.name), col(Person.id))).all()


class FarmOfArea(NamedTuple):
    id: int
    name: str
    area: str


def farms(session: Session) -> list[FarmOfArea]:
    """Every farm, by name."""
    rows = session.exec(
        select(Farm.id, Farm.name, Area.name)
        .join(Area, col(Area.id) == col(Farm.area_id))
        .order_by(col(Farm.name), col(Area.name))
    )
    return [FarmOfArea(*row) for row in rows if row[0] is not None]


class FieldChoice(NamedTuple):
    id: int
    farm: str
    field: str
    area: str


def field_choices(session: Session) -> list[FieldChoice]:
    """Every open field, by farm."""
    rows = session.exec(
        select(FarmField.id, Farm.name, FarmField.name, Area.name)
        .join(Farm, col(Farm.id) == col(FarmField.farm_id))
        .join(Area, col(Area.id) == col(Farm.area_id))
        .where(col(FarmField.closed_on).is_(None))
        .order_by(col(Farm.name), col(FarmField.name), col(Area.name))
    )
    return [FieldChoice(*row) for row in rows if row[0] is not None]


def sign_ups(session: Session, now: datetime) -> Sequence[SignUp]:
    """Sign-ups to be confirmed still, and those that became no farm when they were."""
    waits = and_(col(SignUp.confirmed_at).is_(None), col(SignUp.expires_at) > now)
    stuck = and_(col(SignUp.confirmed_at).is_not(None), col(SignUp.refusal) != "")
    query = select(SignUp).where(or_(waits, stuck))
    return session.exec(query.order_by(col(SignUp.id).desc())).all()


def opt_outs(session: Session) -> dict[str, int]:
    """How many addresses are stopped, by channel."""
    rows = session.exec(
        select(OptOut.channel, func.count())
        .where(col(OptOut.ended_at).is_(None))
        .group_by(col(OptOut.channel))
    )
    return {channel: count for channel, count in rows}  # noqa: C416 - rows look like a mapping


# ---------------------------------------------------------------------------- texts in


def broken_texts(session: Session, since: datetime) -> list[InboundText]:
    """Texts that came in since then and could not be handled, newest first."""
    return list(
        session.exec(
            select(InboundText)
            .where(
                col(InboundText.received_at) >= since,
                col(InboundText.outcome).startswith(HANDLING_FAILED),
            )
            .order_by(col(InboundText.id).desc())
        )
    )
