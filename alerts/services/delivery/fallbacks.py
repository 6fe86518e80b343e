"""A text that cannot reach its number goes by email instead, to those who want that.

A text that failed goes at once. One that its gateway does not take goes after some hours, or while
it is still of use: it is cancelled in the same transaction, so that it does not arrive as well. One
of which nobody knows whether it left goes too; it may turn out that both arrived, which harms
nobody. Whoever wants no texts gets no email for it: to stop is a wish, and no fault.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.domain import trace
from alerts.domain.decision import START_KINDS, Kind
from alerts.domain.delivery import TOLD, UNDERWAY, Status
from alerts.messages.instead import Instead, Why, instead_email
from alerts.messages.marks import mark
from alerts.messages.templates import Templates
from alerts.services.access.links import LinkRules, Role, link_url
from alerts.services.delivery.outgoing import To, outbox_row
from alerts.services.delivery.unsubscribe import address_url
from alerts.store import fallbacks, operator, outbox, people
from alerts.store.outbox import FieldStart
from alerts.store.people import Recipient
from alerts.store.session import Sessions
from alerts.store.tables import Farm, OutboxMessage

log = logging.getLogger(__name__)

INSTEAD = "sent by email instead"
"""Why a text that waited was cancelled."""


@dataclass(frozen=True, slots=True)
class FallbackRules:
    """``after``: a text that waited so long goes by email; ``at_least`` is enough where it is of
    use only for ``before_expiry`` from now."""

    templates: Templates
    links: LinkRules
    public_url: str
    secret: str
    after: timedelta
    before_expiry: timedelta
    at_least: timedelta


def queue_fallbacks(sessions: Sessions, rules: FallbackRules, now: datetime) -> int:
    """Queue an email for each text that cannot reach its number; returns how many."""
    with sessions.read() as session:
        waiting = fallbacks.stuck(
            session,
            now,
            since=now - rules.after,
            rather_since=now - rules.at_least,
            until=now + rules.before_expiry,
        )
        found = [
            text.id
            for text in (*fallbacks.lost(session, now), *waiting)
            if _mailbox(session, text, now) is not None
        ]
    return sum(_stand_in(sessions, rules, text_id, now) for text_id in found)


def _stand_in(sessions: Sessions, rules: FallbackRules, text_id: int | None, now: datetime) -> bool:
    """Queue the email for one text, unless it left or was settled otherwise meanwhile."""
    with sessions.write() as session:
        text = outbox.get(session, text_id)
        why = _WHY.get(Status(text.status))
        recipient = _mailbox(session, text, now)
        if why is None or recipient is None:
            return False
        email = outbox.enqueue(
            session, _email(session, rules, text, recipient, why, now), _fields(session, text)
        )
        if email is None:
            return False
        if why is Why.STUCK:
            outbox.settle(session, text, Status.CANCELLED, now, detail=INSTEAD)
    with trace.about(message_id=text.public_id):
        log.warning(
            "message %s (%s) goes by email instead: %s", text.public_id, text.kind, why.value
        )
    return True


_WHY = {
    Status.FAILED: Why.LOST,
    Status.UNDELIVERED: Why.LOST,
    Status.QUEUED: Why.STUCK,
    Status.UNKNOWN: Why.UNCLEAR,
}


def emailed_instead(messages: Iterable[OutboxMessage]) -> frozenset[int | None]:
    """Those of these messages, by id, in whose place another of them goes, or went, by email."""
    return frozenset(
        message.fallback_of
        for message in messages
        if message.fallback_of and message.status in TOLD | UNDERWAY
    )


# ------------------------------------------------------------------------ is it worth one


def _mailbox(session: Session, text: OutboxMessage, now: datetime) -> Recipient | None:
    """Where an email in the place of this text may go; None where there is to be none."""
    assert text.id is not None
    if (
        text.expires_at <= now
        or fallbacks.has_email(session, text.id)
        or fallbacks.was_stopped(session, text)
        or fallbacks.is_emailed_anyway(session, text)
        or fallbacks.is_overtaken(session, text)
        or not _concerns(session, text, now)
    ):
        return None
    reach = people.recipients(session, [text.person_id], by_email=True)
    return next(iter(reach.get(text.person_id, ())), None)


def _concerns(session: Session, text: OutboxMessage, now: datetime) -> bool:
    """Whether the person still has a part in the farm, which waits for the news."""
    if text.farm_id is None:
        return True
    farm, zone = operator.farm_and_zone(session, text.farm_id)
    if text.person_id not in (farm.farmer_id, farm.sampler_id):
        return False
    if text.kind not in START_KINDS:
        return True
    is_paused = farm.paused_until and now.astimezone(ZoneInfo(zone)).date() < farm.paused_until
    if is_paused or text.cutting is None:
        return False
    return operator.stands_at(session, text.farm_id, text.cutting)


# ------------------------------------------------------------------------ the email


def _email(
    session: Session,
    rules: FallbackRules,
    text: OutboxMessage,
    recipient: Recipient,
    why: Why,
    now: datetime,
) -> OutboxMessage:
    """The same news for the same farm and day, so that whoever reads it counts as told."""
    key = f"instead:{text.public_id}"
    farm = session.get_one(Farm, text.farm_id) if text.farm_id is not None else None
    is_farmer = farm is not None and farm.farmer_id == text.person_id
    told = Instead(
        kind=Kind(text.kind),
        farm=farm.name if farm else "",
        start_on=text.start_on,
        subject=text.subject,
        text=text.text,
        text_mark=text.mark,
        number=text.to_address,
        why=why,
        mark=mark(key),
        page_url=_page(session, rules, text, farm if is_farmer else None, now),
        sampler=not is_farmer,
        unsubscribe_url=address_url(rules.public_url, rules.secret, "email", recipient.address),
    )
    email = outbox_row(
        key,
        told.kind,
        To(recipient.person_id, recipient.channel, recipient.address),
        instead_email(rules.templates, recipient.language, told),
        now=now,
        told_on=text.told_on,
        expires_at=text.expires_at,
        time_zone=text.time_zone,
    )
    for name in _SAME:
        setattr(email, name, getattr(text, name))
    email.fallback_of = text.id
    return email


_SAME = ("farm_id", "season", "cutting", "start_on")


def _page(
    session: Session, rules: FallbackRules, text: OutboxMessage, farm: Farm | None, now: datetime
) -> str:
    role = Role.SAMPLER if farm is None else Role.FARM
    farm_id = farm.id if farm else None
    return link_url(session, rules.links, role, person_id=text.person_id, farm_id=farm_id, now=now)


def _fields(session: Session, text: OutboxMessage) -> list[FieldStart]:
    assert text.id is not None
    return [FieldStart(f.field_id, f.start_on) for f in operator.fields_told(session, text.id)]
