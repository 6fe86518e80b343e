"""Outbox rows as transports want them."""

from __future__ import annotations

import base64

from alerts.store.tables import OutboxMessage
from alerts.transports.base import Attachment, OutgoingMessage


def attachment_row(filename: str, content_type: str, content: bytes) -> dict[str, str]:
    """An attachment as the outbox stores it."""
    return {
        "filename": filename,
        "content_type": content_type,
        "content": base64.b64encode(content).decode(),
    }


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
            Attachment(row["filename"], row["content_type"], base64.b64decode(row["content"]))
            for row in message.attachments
        ),
    )
