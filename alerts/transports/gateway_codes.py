"""The words of gateways with the widespread REST message interface, in our own terms.

Nothing outside `alerts.transports` should compare a gateway's code or status by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from alerts.transports.base import Delivery, Outcome

REFUSED, LATER, UNKNOWN = Outcome.REFUSED, Outcome.LATER, Outcome.UNKNOWN
MISCONFIGURED, OPTED_OUT = Outcome.MISCONFIGURED, Outcome.OPTED_OUT

CODES: Mapping[int, Outcome] = MappingProxyType(
    {
        # answers to a request
        20003: MISCONFIGURED,  # credentials refused, account suspended
        20404: MISCONFIGURED,  # no such account
        20429: LATER,  # too many requests: never processed
        20500: UNKNOWN,  # fault inside the interface: a message may exist
        20503: UNKNOWN,
        21211: REFUSED,  # not a valid number
        21212: MISCONFIGURED,  # sender not valid
        21408: MISCONFIGURED,  # region not enabled
        21602: REFUSED,  # no text
        21604: REFUSED,  # no recipient
        21606: MISCONFIGURED,  # sender cannot send there
        21608: MISCONFIGURED,  # trial account
        21610: OPTED_OUT,
        21611: LATER,  # queue of the sender is full
        21612: REFUSED,  # not reachable from here
        21614: REFUSED,  # landline
        21617: REFUSED,  # text too long
        21620: REFUSED,  # bad media address
        21703: MISCONFIGURED,  # service without a usable sender
        21705: MISCONFIGURED,  # neither sender nor service
        21717: MISCONFIGURED,  # sender not registered
        # verdicts on a message; some gateways answer a request with them already
        30001: LATER,  # queue overflow, or waited past its validity
        30002: MISCONFIGURED,  # account suspended or out of credit
        30003: LATER,  # handset off or out of coverage
        30004: OPTED_OUT,  # blocked: most often a STOP the gateway did not tell us about
        30005: REFUSED,  # unknown handset
        30006: REFUSED,  # landline or unreachable carrier
        30007: REFUSED,  # filtered for its content
        30008: LATER,  # unknown fault at the carrier
        30022: LATER,  # rate of the campaign exceeded
        30023: LATER,  # daily cap reached
        30024: MISCONFIGURED,  # sender not provisioned
        30032: MISCONFIGURED,  # toll-free number not verified
        30034: MISCONFIGURED,  # number not registered to a campaign
        30035: MISCONFIGURED,  # number still being set up
        30410: UNKNOWN,  # timeout at the carrier: may have been sent
        30500: LATER,  # fault inside the gateway
    }
)
"""Code -> what it says about sending the message (once more)."""

GATEWAY_WIDE = frozenset({20003, 20404, 20429, 20500, 20503, 30002})
"""Codes that speak of the account or the gateway: whatever is sent meets with the same."""

MOST_DIGITS = 9
"""No code is longer, and tables hold no larger number."""

DELIVERIES: Mapping[str, Delivery] = MappingProxyType(
    {
        "accepted": Delivery.PENDING,
        "scheduled": Delivery.PENDING,
        "queued": Delivery.PENDING,
        "initiated": Delivery.PENDING,
        "sending": Delivery.PENDING,
        "sent": Delivery.SENT,
        "partially_delivered": Delivery.SENT,
        "delivered": Delivery.DELIVERED,
        "read": Delivery.DELIVERED,
        "undelivered": Delivery.UNDELIVERED,
        "failed": Delivery.UNDELIVERED,
        "canceled": Delivery.UNDELIVERED,
    }
)
"""Status word -> what became of the message."""


def code_number(code: str) -> int | None:
    """The code as a number, or None for a gateway's own form such as 'S1001'."""
    is_number = code.isascii() and code.isdigit() and len(code) <= MOST_DIGITS
    return int(code) if is_number else None


def outcome_of_code(code: str, codes: Mapping[int, Outcome] = CODES) -> Outcome | None:
    """What a gateway's code means; None when the table does not hold it.

    Serves both the answer to a request and the code of a failed delivery, where it says
    whether another attempt makes sense.
    """
    number = code_number(code)
    return None if number is None else codes.get(number)


def is_gateway_wide(code: str) -> bool:
    """Whether any other message would be answered so, too."""
    return code_number(code) in GATEWAY_WIDE


def is_opted_out(delivery: Delivery, code: str) -> bool:
    """Whether a message did not arrive because its recipient must not be written to."""
    return delivery is Delivery.UNDELIVERED and outcome_of_code(code) is Outcome.OPTED_OUT


def delivery_of_status(status: str) -> Delivery:
    """What a status word means; an unknown word is PENDING, so a later word can settle it."""
    return DELIVERIES.get(status.strip().lower(), Delivery.PENDING)
