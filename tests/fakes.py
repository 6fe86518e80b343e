"""Stand-ins for what lies outside the service: the clock, a gateway, a place files wait in.

They keep what they were given and answer as a test told them to; nothing of the service itself is
replaced.
"""

from __future__ import annotations

import asyncio
import errno
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

from alerts.domain.errors import TransportError
from alerts.intake.base import RawDocument, Source
from alerts.transports.base import (
    Channel,
    Delivery,
    Outcome,
    OutgoingMessage,
    SendResult,
    Sighting,
    Transport,
)


class SettableClock:
    """A clock that a test sets by the local time of its area."""

    def __init__(self, now: datetime, zone: ZoneInfo) -> None:
        self.now = now
        self.zone = zone

    def __call__(self) -> datetime:
        return self.now

    def set(self, day: date, at: time) -> datetime:
        self.now = datetime.combine(day, at, tzinfo=self.zone).astimezone(UTC)
        return self.now


@dataclass(frozen=True, slots=True)
class Answer:
    """What a gateway does with one attempt: what it says, and whether it keeps the message."""

    result: SendResult
    keeps: bool = False


ACCEPTED = "accepted as usual"
HANGS = "never answers"


class FakeTransport(Transport):
    """A gateway in memory. Without a script it accepts everything."""

    name: str = "fake"

    def __init__(self, channel: Channel, *, repeatable: bool = False) -> None:
        self.channel = channel
        self.repeatable = repeatable
        self.attempts: list[OutgoingMessage] = []
        self.asked: list[OutgoingMessage] = []
        self.held: dict[str, OutgoingMessage] = {}
        self.news: dict[str, Sighting] = {}
        self.unreachable = False
        self._script: deque[Answer | Exception | str] = deque()

    def script(self, *answers: Answer | Exception | str) -> None:
        """What to do with the next attempts, one after the other."""
        self._script.extend(answers)

    def say(self, outcome: Outcome, *, keeps: bool = False, **said: object) -> None:
        """The next attempt ends like this."""
        self.script(Answer(SendResult(outcome, **said), keeps))  # type: ignore[arg-type]

    @property
    def texts(self) -> list[str]:
        return [message.text for message in self.attempts]

    async def send(self, message: OutgoingMessage) -> SendResult:
        self.attempts.append(message)
        answer = self._script.popleft() if self._script else ACCEPTED
        if isinstance(answer, Exception):
            raise answer
        if answer == HANGS:
            await asyncio.Event().wait()
        if isinstance(answer, Answer):
            if answer.keeps:
                self._hold(message)
            return answer.result
        return SendResult(Outcome.ACCEPTED, gateway_id=self._hold(message), parts=1)

    async def find(self, message: OutgoingMessage) -> Sighting | None:
        self.asked.append(message)
        if self.unreachable:
            raise TransportError("the gateway does not answer")
        for gateway_id, held in self.held.items():
            if held.mark == message.mark and held.to == message.to:
                return await self.read_back(gateway_id)
        return None

    async def read_back(self, gateway_id: str) -> Sighting | None:
        if self.unreachable:
            raise TransportError("the gateway does not answer")
        if gateway_id not in self.held:
            return None
        return self.news.get(gateway_id, Sighting(gateway_id, Delivery.PENDING, "queued"))

    async def aclose(self) -> None:
        """Nothing is held open."""

    def _hold(self, message: OutgoingMessage) -> str:
        gateway_id = f"gw-{len(self.held) + 1}"
        self.held[gateway_id] = message
        return gateway_id


@dataclass
class FakeSource(Source):
    """Documents that wait, and where they were put; a full disk moves nothing."""

    documents: list[RawDocument] = field(default_factory=list)
    put_aside: list[tuple[str, str]] = field(default_factory=list)
    full_disk: bool = False
    unreadable: bool = False

    def waiting(self) -> Iterator[RawDocument]:
        yield from list(self.documents)
        if self.unreadable:
            raise PermissionError(errno.EACCES, "Permission denied")

    def done(self, document: RawDocument) -> None:
        self._move(document, "done")

    def refused(self, document: RawDocument) -> None:
        self._move(document, "refused")

    def _move(self, document: RawDocument, where: str) -> None:
        if self.full_disk:
            raise OSError(errno.ENOSPC, "No space left on device")
        self.documents.remove(document)
        self.put_aside.append((where, document.name))
