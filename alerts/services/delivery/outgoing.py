"""Outbox rows: made from words for somebody, and turned into what transports want."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from alerts.domain.decision import Kind
from alerts.messages.letters import Letter
from alerts.messages.marks import mark
from alerts.store.tables import OutboxMessage
from alerts.transports.base import Attachment, OutgoingMessage


@dataclass(frozen=True, slots=True)
class To:
    """Whom a message goes to, and how."""

    person_id: int
    channel: str
    address: str


@dataclass(frozen=True, slots=True)
class About:
    """The harvest a message is about; ``start_on`` is the start date it tells."""

    farm_id: int
    season: int
    cutting: int
    start_on: date | None = None


def outbox_row(
    key: str,
    kind: Kind,
    to: To,
    letter: Letter,
    *,
    now: datetime,
    told_on: date,
    expires_at: datetime,
    not_before: datetime | None = None,
    attachments: Sequence[dict[str, str]] = (),
    about: About | None = None,
    marked: bool = True,
    time_zone: str = "",
) -> OutboxMessage:
    """A message made at ``now``, for `store.outbox.enqueue`.

    ``key`` names its purpose: there is one message for each, and its id and mark follow from it.
    It leaves at once unless ``not_before`` says later, and belongs to the local day ``told_on``.
    ``marked`` False is for words that do not end with the mark. ``time_zone`` is the person's,
    where the message is about no farm: a text put off by the gateway waits for the day.
    """
    return OutboxMessage(
        public_id=public_id(key),
        dedupe_key=key,
        kind=kind,
        channel=to.channel,
        person_id=to.person_id,
        farm_id=about.farm_id if about else None,
        season=about.season if about else None,
        cutting=about.cutting if about else None,
        start_on=about.start_on if about else None,
        to_address=to.address,
        subject=letter.subject,
        text=letter.text,
        html=letter.html,
        attachments=list(attachments),
        mark=mark(key) if marked else "",
        created_at=now,
        told_on=told_on,
        not_before=not_before or now,
        expires_at=expires_at,
        next_attempt_at=not_before or now,
        time_zone=time_zone,
    )


def public_id(key: str) -> str:
    """The id under which gateways and mail systems know the message of this key."""
    return hashlib.sha256(key.encode()).hexdigest()[:24]


def attachment_row(
    filename: str, content_type: str, content: bytes, content_id: str = ""
) -> dict[str, str]:
    """An attachment as the outbox stores it.

    ``content_id`` makes it a picture of the HTML, shown there as 'cid:' and this name.
    """
    row = {
        "filename": filename,
        "content_type": content_type,
        "content": base64.b64encode(content).decode(),
    }
    return {**row, "content_id": content_id} if content_id else row


def outgoing(message: OutboxMessage, unsubscribe_url: str) -> OutgoingMessage:
    return OutgoingMessage(
        message_id=message.public_id,
        to=message.to_address,
        text=message.text,
        mark=message.mark,
        created_at=message.created_at,
        expires_at=message.expires_at,
        subject=message.subject,
        html=message.html,
        unsubscribe_url=unsubscribe_url,
        attachments=tuple(
            Attachment(
                row["filename"],
                row["content_type"],
                base64.b64decode(row["content"]),
                row.get("content_id", ""),
            )
            for row in message.attachments
        ),
    )
