"""The life of a message, as one table of allowed steps.

queued -> sending -> accepted -> sent -> delivered
             |           \\-> undelivered
             +-> queued     a clear "not now"; the only way back
             +-> failed     a clear refusal
             +-> unknown    nobody can say; the gateway is asked before any second attempt
queued -> expired (useless by now), cancelled (overtaken, or the person opted out)
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from enum import StrEnum


class Status(StrEnum):
    QUEUED = "queued"
    SENDING = "sending"
    UNKNOWN = "unknown"
    ACCEPTED = "accepted"
    SENT = "sent"
    DELIVERED = "delivered"
    UNDELIVERED = "undelivered"
    FAILED = "failed"
    EXPIRED = "expired"
    CANCELLED = "cancelled"


_STEPS: dict[Status, frozenset[Status]] = {
    Status.QUEUED: frozenset({Status.SENDING, Status.EXPIRED, Status.CANCELLED}),
    Status.SENDING: frozenset(
        {Status.QUEUED, Status.UNKNOWN, Status.ACCEPTED, Status.FAILED, Status.CANCELLED}
    ),
    # From unknown, a message found at the gateway may already be anywhere in its later life.
    Status.UNKNOWN: frozenset(
        {
            Status.QUEUED,
            Status.ACCEPTED,
            Status.SENT,
            Status.DELIVERED,
            Status.UNDELIVERED,
            Status.FAILED,
            Status.EXPIRED,
        }
    ),
    Status.ACCEPTED: frozenset({Status.SENT, Status.DELIVERED, Status.UNDELIVERED}),
    Status.SENT: frozenset({Status.DELIVERED, Status.UNDELIVERED}),
}

FINAL = frozenset(set(Status) - set(_STEPS))
"""Statuses that nothing follows."""

WAITING_FOR_RECEIPT = frozenset({Status.ACCEPTED, Status.SENT})

TOLD = frozenset({Status.ACCEPTED, Status.SENT, Status.DELIVERED})
"""The person counts as told only when a gateway took the message."""

DID_NOT_ARRIVE = frozenset({Status.FAILED, Status.UNDELIVERED, Status.EXPIRED})
"""The person was not told, and nothing more happens by itself."""

UNDERWAY = frozenset({Status.QUEUED, Status.SENDING, Status.UNKNOWN})
"""May still reach the person; nothing else is queued for the same purpose meanwhile."""


def advance(current: Status, new: Status) -> Status:
    """The status after ``new`` is reported; late and repeated reports change nothing.

    Examples
    --------
    >>> advance(Status.DELIVERED, Status.SENT).value
    'delivered'
    """
    return new if new in _STEPS.get(current, frozenset()) else current


def next_attempt(
    now: datetime,
    attempts: int,
    *,
    base_s: float,
    cap_s: float,
    jitter: Callable[[], float],
    at_least_s: float = 0.0,
) -> datetime:
    """When to try again after ``attempts`` clear refusals "not now".

    Full jitter: a random share of a wait that doubles up to ``cap_s`` [s], never less than what
    the gateway asked for. ``jitter`` yields numbers in [0, 1).
    """
    ceiling = min(cap_s, base_s * 2 ** min(attempts, 20))
    return now + timedelta(seconds=max(at_least_s, jitter() * ceiling))
