"""Words and traces of people that have been kept long enough, a bounded number at a time.

Each pair of functions finds rows without a write lock, then blanks or removes them by number.
Results, cuts, documents and the ledger of the stopped are never touched. Rows of messages, texts
and sign-ups stay, so that nothing is sent or taken twice; of links the newest row stays, since
SQLite would give its number, which an old link bears, to another.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import ColumnElement, and_, exists, update
from sqlalchemy.orm import Mapped
from sqlmodel import Session, col, delete, func, or_, select, tuple_

from alerts.domain.delivery import UNDERWAY
from alerts.store.tables import (
    AccessLink,
    ApiRequest,
    Consent,
    DeliveryEvent,
    InboundText,
    OptOut,
    OutboxMessage,
    Person,
    SignUp,
)

Ids = Sequence[int]


def _some(
    session: Session, column: Mapped[int | None], most: int, *where: ColumnElement[bool]
) -> Ids:
    found = session.exec(select(column).where(*where).order_by(column).limit(most))
    return [one for one in found if one is not None]


# ------------------------------------------------------------------------- messages


def old_messages(session: Session, before: datetime, most: int) -> Ids:
    """Messages queued before then, done with, whose words are still there."""
    said = or_(
        col(OutboxMessage.text) != "",
        col(OutboxMessage.html) != "",
        col(OutboxMessage.error_detail) != "",
    )
    over = col(OutboxMessage.status).not_in(sorted(UNDERWAY))
    return _some(
        session, col(OutboxMessage.id), most, col(OutboxMessage.created_at) < before, over, said
    )


def blank_messages(session: Session, ids: Ids) -> None:
    """Kind, dates, address and fate stay: they say whether somebody was ever written to."""
    session.exec(
        update(OutboxMessage)
        .where(col(OutboxMessage.id).in_(ids))
        .values(subject="", text="", html="", attachments=[], error_detail="")
    )
    steps = update(DeliveryEvent).where(col(DeliveryEvent.message_id).in_(ids))
    session.exec(steps.values(detail=""))


def old_texts(session: Session, before: datetime, most: int) -> Ids:
    """Texts that came in before then and were handled."""
    return _some(
        session,
        col(InboundText.id),
        most,
        col(InboundText.received_at) < before,
        col(InboundText.handled_at).is_not(None),
        or_(col(InboundText.body) != "", col(InboundText.from_address) != ""),
    )


def blank_texts(session: Session, ids: Ids) -> None:
    session.exec(
        update(InboundText)
        .where(col(InboundText.id).in_(ids))
        .values(body="", from_address="", outcome="")
    )


# -------------------------------------------------------------- sign-ups and consents


def old_sign_ups(session: Session, before: datetime, most: int) -> Ids:
    """Sign-ups asked before then that nobody confirmed."""
    return _some(
        session,
        col(SignUp.id),
        most,
        col(SignUp.asked_at) < before,
        col(SignUp.expires_at) < before,
        col(SignUp.confirmed_at).is_(None),
        or_(col(SignUp.address) != "", col(SignUp.ip) != ""),
    )


def blank_sign_ups(session: Session, ids: Ids) -> None:
    session.exec(
        update(SignUp).where(col(SignUp.id).in_(ids)).values(form={}, address="", ip="", refusal="")
    )


def old_sign_up_ips(session: Session, before: datetime, most: int) -> Ids:
    old = col(SignUp.asked_at) < before
    return _some(session, col(SignUp.id), most, old, col(SignUp.ip) != "")


def blank_sign_up_ips(session: Session, ids: Ids) -> None:
    session.exec(update(SignUp).where(col(SignUp.id).in_(ids)).values(ip=""))


def old_consent_ips(session: Session, before: datetime, most: int) -> Ids:
    old = col(Consent.recorded_at) < before
    return _some(session, col(Consent.id), most, old, col(Consent.ip) != "")


def blank_consent_ips(session: Session, ids: Ids) -> None:
    session.exec(update(Consent).where(col(Consent.id).in_(ids)).values(ip=""))


def old_consents(session: Session, before: datetime, most: int) -> Ids:
    """Evidence of people who were forgotten before then, or who agreed then if nobody knows when.

    Somebody without any address was forgotten; the ledger of the stopped bears the day.
    """
    nobody = exists().where(
        col(Person.id) == col(Consent.person_id), col(Person.phone) == "", col(Person.email) == ""
    )
    stopped = and_(
        col(OptOut.channel) == col(Consent.channel), col(OptOut.address) == col(Consent.address)
    )
    recent = exists().where(stopped, col(OptOut.at) >= before)
    return _some(session, col(Consent.id), most, nobody, ~recent, col(Consent.recorded_at) < before)


def drop_consents(session: Session, ids: Ids) -> None:
    session.exec(delete(Consent).where(col(Consent.id).in_(ids)))


# ---------------------------------------------------------------- links and answers


def old_links(session: Session, before: datetime, most: int) -> Ids:
    """Links that have led nowhere since before then, but for the newest of all."""
    newest = select(func.max(col(AccessLink.id))).scalar_subquery()
    over = or_(col(AccessLink.expires_at) < before, col(AccessLink.revoked_at) < before)
    return _some(session, col(AccessLink.id), most, over, col(AccessLink.id) < newest)


def drop_links(session: Session, ids: Ids) -> None:
    session.exec(delete(AccessLink).where(col(AccessLink.id).in_(ids)))


def old_answers(session: Session, before: datetime, most: int) -> Sequence[tuple[int, str]]:
    query = select(ApiRequest.token_id, ApiRequest.key).where(col(ApiRequest.at) < before)
    return session.exec(query.order_by(col(ApiRequest.at)).limit(most)).all()


def drop_answers(session: Session, keys: Sequence[tuple[int, str]]) -> None:
    both = tuple_(col(ApiRequest.token_id), col(ApiRequest.key))
    session.exec(delete(ApiRequest).where(both.in_(keys)))
