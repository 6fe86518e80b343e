"""What the sender knows of a gateway: one message out, one question back.

Gateway words stay inside a transport; outside, only these records are seen.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Protocol


class Channel(StrEnum):
    SMS = "sms"
    EMAIL = "email"


class Outcome(StrEnum):
    """What is known after one attempt."""

    ACCEPTED = "accepted"  # the gateway took it and gave it a name
    REFUSED = "refused"  # final for this recipient or this text
    OPTED_OUT = "opted_out"  # final: the gateway knows the recipient as opted out
    LATER = "later"  # certainly not taken; may be tried again
    MISCONFIGURED = "misconfigured"  # certainly not taken; an operator must act, then try again
    UNKNOWN = "unknown"  # may or may not have been taken: look before any second attempt


class Delivery(StrEnum):
    """What the gateway says became of an accepted message."""

    PENDING = "pending"
    SENT = "sent"  # handed to the carrier; may stay the last word
    DELIVERED = "delivered"
    UNDELIVERED = "undelivered"


@dataclass(frozen=True, slots=True)
class Attachment:
    filename: str
    content_type: str  # with parameters, for example "text/calendar; method=PUBLISH"
    content: bytes
    content_id: str = ""  # of a picture that the HTML shows as 'cid:...' (RFC 2392)


@dataclass(frozen=True, slots=True)
class OutgoingMessage:
    """One message to one address, ready to send."""

    message_id: str  # our own id; an email keeps it as Message-ID over every attempt
    to: str  # E.164 or an email address
    text: str
    mark: str  # short and unique, also the last word of the text: finds a text at the gateway
    created_at: datetime
    expires_at: datetime
    subject: str = ""
    html: str = ""
    unsubscribe_url: str = ""
    attachments: tuple[Attachment, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class SendResult:
    outcome: Outcome
    gateway_id: str = ""
    parts: int | None = None
    code: str = ""  # the gateway's own code, kept raw
    detail: str = ""  # the gateway's own words, kept raw
    retry_after_s: float | None = None
    gateway_wide: bool = False  # speaks of the gateway or the line, not of this message


@dataclass(frozen=True, slots=True)
class Sighting:
    """A message as the gateway holds it."""

    gateway_id: str
    delivery: Delivery
    status: str  # the gateway's own word
    code: str = ""
    opted_out: bool = False  # it did not arrive since the recipient is opted out there


@dataclass(frozen=True, slots=True)
class TextIn:
    """A text that somebody sent us, as the gateway tells it."""

    gateway_id: str
    from_address: str  # E.164, or a short code
    to_address: str
    body: str
    opt_out_type: str = ""  # STOP, START or HELP where the gateway itself has acted on it


class Transport(Protocol):
    """One way to reach a person."""

    channel: Channel
    name: str
    repeatable: bool
    """True where a second attempt under the same message id does no harm, as with email, whose
    copies a mail system merges by Message-ID; such a transport is not asked by `find`."""

    async def send(self, message: OutgoingMessage) -> SendResult:
        """Make exactly one attempt. Never raises for what the network or the gateway does."""
        ...

    async def find(self, message: OutgoingMessage) -> Sighting | None:
        """Look for an earlier attempt of this message at the gateway.

        None: certainly not there. Raises TransportError when the gateway cannot be asked.
        """
        ...

    async def read_back(self, gateway_id: str) -> Sighting | None:
        """What became of an accepted message; None where the transport cannot tell."""
        ...

    async def time_there(self) -> datetime | None:
        """What the gateway's own clock shows, aware; None where it tells none.

        Raises TransportError when the gateway cannot be asked.
        """
        return None

    async def log_in(self) -> None:
        """See whether the far side takes our credentials, without sending anything.

        Raises TransportError with what to do where it does not, or cannot be asked.
        """

    async def aclose(self) -> None: ...
