"""Shows each message instead of sending it: the default while developing."""

from __future__ import annotations

from collections.abc import Callable

from alerts.transports.base import (
    Channel,
    Delivery,
    Outcome,
    OutgoingMessage,
    SendResult,
    Sighting,
    Transport,
)


class Console(Transport):
    """Hands every message to `write` as readable text and calls it accepted.

    It remembers what it showed only while the program runs, which is all a developer needs.
    """

    name: str = "console"
    repeatable: bool = True

    def __init__(self, *, channel: Channel, write: Callable[[str], None]) -> None:
        self.channel = channel
        self._write = write
        self._shown: set[str] = set()

    async def send(self, message: OutgoingMessage) -> SendResult:
        gateway_id = self._id_of(message)
        self._write(shown_text(self.channel, message))
        self._shown.add(gateway_id)
        return SendResult(Outcome.ACCEPTED, gateway_id=gateway_id)

    async def find(self, message: OutgoingMessage) -> Sighting | None:
        return await self.read_back(self._id_of(message))

    async def read_back(self, gateway_id: str) -> Sighting | None:
        if gateway_id not in self._shown:
            return None
        return Sighting(gateway_id, Delivery.DELIVERED, status="shown")

    async def aclose(self) -> None:
        """Nothing is held open."""

    def _id_of(self, message: OutgoingMessage) -> str:
        return f"console-{message.message_id}"


def shown_text(channel: Channel, message: OutgoingMessage) -> str:
    """A message as a developer wants to read it, ending in a line break."""
    lines = [f"--- {channel.value} to {message.to} ({message.message_id})"]
    if message.subject:
        lines.append(f"Subject: {message.subject}")
    lines += [f"Attached: {a.filename} ({a.content_type})" for a in message.attachments]
    return "\n".join([*lines, message.text, ""])
