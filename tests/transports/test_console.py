from __future__ import annotations

import asyncio
from dataclasses import replace

from alerts.transports.base import Attachment, Channel, Delivery, Outcome, OutgoingMessage
from alerts.transports.console import Console


def test_message_is_written_and_accepted(mail: OutgoingMessage) -> None:
    written: list[str] = []
    console = Console(channel=Channel.EMAIL, write=written.append)
    attachment = Attachment("start.ics", "text/calendar", b"")
    result = asyncio.run(console.send(replace(mail, attachments=(attachment,))))
    assert result.outcome is Outcome.ACCEPTED
    assert len(written) == 1
    for part in (mail.to, mail.subject, mail.text, "start.ics"):
        assert part in written[0]


def test_only_what_was_shown_is_found(text: OutgoingMessage) -> None:
    console = Console(channel=Channel.SMS, write=lambda _: None)
    assert asyncio.run(console.find(text)) is None
    result = asyncio.run(console.send(text))
    found = asyncio.run(console.find(text))
    assert found is not None
    assert found == asyncio.run(console.read_back(result.gateway_id))
    assert found.delivery is Delivery.DELIVERED
    assert asyncio.run(console.read_back("console-other")) is None
    asyncio.run(console.aclose())
