"""What the parts of sending share: rules, the tally of a round, a message as it goes out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from datetime import timedelta
from threading import Event

from alerts.domain.circuit import CircuitRules
from alerts.domain.delivery import Status
from alerts.services.delivery.outgoing import outgoing
from alerts.services.delivery.unsubscribe import address_url
from alerts.store.tables import OutboxMessage
from alerts.transports.base import Channel, Delivery, OutgoingMessage

STATUS_OF = {
    Delivery.PENDING: Status.ACCEPTED,
    Delivery.SENT: Status.SENT,
    Delivery.DELIVERED: Status.DELIVERED,
    Delivery.UNDELIVERED: Status.UNDELIVERED,
}


@dataclass(frozen=True, slots=True)
class SendingRules:
    """``stopping`` is set when the process is to end: nothing more is claimed then."""

    concurrency: int  # messages of a channel in flight at a time, in this process
    lease: timedelta
    settle: timedelta
    backoff_base_s: float
    backoff_cap_s: float
    circuits: Mapping[Channel, CircuitRules]
    jitter: Callable[[], float]
    public_url: str
    secret: str
    stopping: Event = field(default_factory=Event)

    def outgoing(self, message: OutboxMessage) -> OutgoingMessage:
        stop = address_url(self.public_url, self.secret, message.channel, message.to_address)
        return outgoing(message, stop)


@dataclass(slots=True)
class SendReport:
    """How many messages a round moved, by what became of them."""

    accepted: int = 0
    later: int = 0
    refused: int = 0
    unknown: int = 0
    expired: int = 0

    def __add__(self, other: SendReport) -> SendReport:
        return SendReport(
            *(getattr(self, f.name) + getattr(other, f.name) for f in fields(SendReport))
        )
