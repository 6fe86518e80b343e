"""Sending what the outbox holds: claim, commit, one attempt, record.

No session is open while a gateway is talked to. An attempt whose outcome nobody knows becomes
`unknown`; the gateway is asked before anything is sent again, and a second time is the last.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime, timedelta

from sqlmodel import Session

from alerts.domain.decision import ASKED_FOR, TO_THE_STOPPED
from alerts.domain.delivery import Status, next_attempt
from alerts.domain.errors import TransportError
from alerts.services.outgoing import outgoing
from alerts.services.unsubscribe import address_url
from alerts.store import night, outbox, people
from alerts.store.session import Sessions
from alerts.store.tables import OutboxMessage
from alerts.transports.base import (
    Channel,
    Delivery,
    Outcome,
    OutgoingMessage,
    SendResult,
    Sighting,
    Transport,
)

log = logging.getLogger(__name__)

MOST_SECOND_SENDS = 1
"""How often an unclear message that the gateway does not hold is sent again."""

SHARE_OF_LEASE = 0.8
"""Part of its lease an attempt may take."""

OPERATOR_WAIT = timedelta(minutes=10)
"""Wait after a refusal that only a change of settings can cure."""


@dataclass(frozen=True, slots=True)
class SendingRules:
    concurrency: int  # messages claimed, and in flight, at a time
    lease: timedelta
    settle: timedelta
    backoff_base_s: float
    backoff_cap_s: float
    jitter: Callable[[], float]
    public_url: str
    secret: str


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


async def dispatch_due(
    sessions: Sessions,
    transports: Mapping[Channel, Transport],
    rules: SendingRules,
    owner: str,
    clock: Callable[[], datetime],
) -> SendReport:
    """Send every message that may go out now, batch after batch, on every channel."""
    report = SendReport()
    _expire(sessions, clock(), report)
    _give_up_lapsed(sessions, clock(), rules)
    for transport in transports.values():
        await _reconcile(sessions, transport, rules, clock, report)
        while await _send_batch(sessions, transport, rules, owner, clock, report):
            pass
    return report


def _expire(sessions: Sessions, now: datetime, report: SendReport) -> None:
    with sessions.write() as session:
        for message in outbox.stale(session, now):
            outbox.settle(session, message, Status.EXPIRED, now, detail="too late to be of use")
            report.expired += 1


def _give_up_lapsed(sessions: Sessions, now: datetime, rules: SendingRules) -> None:
    with sessions.write() as session:
        for message in outbox.lapsed(session, now):
            outbox.settle(
                session, message, Status.UNKNOWN, now, detail="the sender stopped in the act"
            )
            message.next_attempt_at = now + rules.settle


# ------------------------------------------------------------------------- sending


async def _send_batch(
    sessions: Sessions,
    transport: Transport,
    rules: SendingRules,
    owner: str,
    clock: Callable[[], datetime],
    report: SendReport,
) -> bool:
    """Claim and send up to a batch; False when nothing was due."""
    with sessions.write() as session:
        outbox.hold_closed_windows(session, transport.channel.value, clock())
        night.hold_for_the_day(session, transport.channel.value, clock())
        claimed = outbox.claim(
            session,
            channel=transport.channel.value,
            owner=owner,
            now=clock(),
            lease=rules.lease,
            limit=rules.concurrency,
        )
        stopped = people.stopped_at(
            session, transport.channel.value, [message.to_address for message in claimed]
        )
        barred = {
            message.id
            for message in claimed
            if message.to_address in stopped and not _may_go(message, stopped[message.to_address])
        }
        for message in claimed:
            if message.id in barred:
                outbox.settle(session, message, Status.CANCELLED, clock(), detail="opted out")
    sending = [message for message in claimed if message.id not in barred]
    results = await _send_all(transport, [_outgoing(m, rules) for m in sending], rules)
    with sessions.write() as session:
        for message, result in zip(sending, results, strict=True):
            row = _same_attempt(session, message)
            if row is not None:
                _record(session, row, result, rules, clock(), report)
    return bool(claimed)


def _may_go(message: OutboxMessage, stopped_at: datetime) -> bool:
    """Whether a message may go to an address that stopped at that moment."""
    if message.kind in TO_THE_STOPPED:
        return True
    asked_since = message.kind in ASKED_FOR and stopped_at < message.created_at
    return asked_since and message.channel == "email"


def _same_attempt(session: Session, message: OutboxMessage) -> OutboxMessage | None:
    """The message as it stands now; None when another sender has taken it over meanwhile."""
    row = outbox.get(session, message.id)
    if row.attempts == message.attempts:
        return row
    log.warning("message %s was taken over by another sender", message.public_id)
    return None


def _outgoing(message: OutboxMessage, rules: SendingRules) -> OutgoingMessage:
    return outgoing(
        message,
        address_url(rules.public_url, rules.secret, message.channel, message.to_address),
    )


async def _send_all(
    transport: Transport, messages: Sequence[OutgoingMessage], rules: SendingRules
) -> list[SendResult]:
    """One attempt each, all at once. No attempt outlives its lease: somebody else would take the
    message for abandoned while it may still leave."""
    allowed = rules.lease.total_seconds() * SHARE_OF_LEASE

    async def send(message: OutgoingMessage) -> SendResult:
        try:
            return await asyncio.wait_for(transport.send(message), allowed)
        except TimeoutError:
            return SendResult(Outcome.UNKNOWN, detail=f"no outcome within {allowed:.0f} s")
        except Exception as error:
            # A bug in a transport must not leave messages without an outcome; whether the
            # request left is not known.
            log.exception("%s failed on message %s", transport.name, message.message_id)
            return SendResult(Outcome.UNKNOWN, detail=f"{type(error).__name__}: {error}")

    return list(await asyncio.gather(*(send(message) for message in messages)))


def _record(
    session: Session,
    message: OutboxMessage,
    result: SendResult,
    rules: SendingRules,
    now: datetime,
    report: SendReport,
) -> None:
    said = {"code": result.code, "detail": result.detail}
    match result.outcome:
        case Outcome.ACCEPTED:
            message.gateway_id, message.parts = result.gateway_id, result.parts
            outbox.settle(session, message, Status.ACCEPTED, now, **said)
            report.accepted += 1
        case Outcome.REFUSED | Outcome.OPTED_OUT:
            if result.outcome is Outcome.OPTED_OUT:
                people.opt_out(session, message.channel, message.to_address, now, "at the gateway")
            outbox.settle(session, message, Status.FAILED, now, **said)
            report.refused += 1
        case Outcome.LATER | Outcome.MISCONFIGURED:
            outbox.settle(session, message, Status.QUEUED, now, **said)
            message.next_attempt_at = _try_again(message, result, rules, now)
            report.later += 1
        case Outcome.UNKNOWN:
            outbox.settle(session, message, Status.UNKNOWN, now, **said)
            message.next_attempt_at = now + rules.settle
            report.unknown += 1
    _log_outcome(message, result)


def _try_again(
    message: OutboxMessage, result: SendResult, rules: SendingRules, now: datetime
) -> datetime:
    if result.outcome is Outcome.MISCONFIGURED:
        return now + OPERATOR_WAIT
    return next_attempt(
        now,
        message.attempts,
        base_s=rules.backoff_base_s,
        cap_s=rules.backoff_cap_s,
        jitter=rules.jitter,
        at_least_s=result.retry_after_s or 0.0,
    )


def _log_outcome(message: OutboxMessage, result: SendResult) -> None:
    level = logging.INFO
    if result.outcome is Outcome.MISCONFIGURED:
        level = logging.ERROR
    elif result.outcome is not Outcome.ACCEPTED:
        level = logging.WARNING
    log.log(
        level,
        "message %s (%s, %s): %s %s %s",
        message.public_id,
        message.kind,
        message.channel,
        result.outcome.value,
        result.code,
        result.detail,
    )


# -------------------------------------------------------------------- reconciling


async def _reconcile(
    sessions: Sessions,
    transport: Transport,
    rules: SendingRules,
    clock: Callable[[], datetime],
    report: SendReport,
) -> None:
    """Ask the gateway about messages whose outcome nobody knows."""
    with sessions.read() as session:
        waiting = [
            message
            for message in outbox.unclear(session, clock())
            if message.channel == transport.channel.value
        ]
    for message in waiting:
        try:
            asked = None if transport.repeatable else _outgoing(message, rules)
            seen = None if asked is None else await transport.find(asked)
        except TransportError as error:
            _keep_asking(sessions, message, str(error), rules, clock())
            continue
        with sessions.write() as session:
            row = _same_attempt(session, message)
            # A receipt, or another sender's look, may have settled it while the gateway was asked.
            if row is not None and row.status == Status.UNKNOWN:
                _resolve(session, row, seen, clock(), report)


def _resolve(
    session: Session,
    message: OutboxMessage,
    seen: Sighting | None,
    now: datetime,
    report: SendReport,
) -> None:
    if seen is not None:
        message.gateway_id, message.gateway_status = seen.gateway_id, seen.status
        moved = outbox.settle(session, message, STATUS_OF[seen.delivery], now, code=seen.code)
        if moved and seen.opted_out:
            people.opt_out(session, message.channel, message.to_address, now, "at the gateway")
        report.accepted += 1
    elif message.expires_at <= now:
        outbox.settle(session, message, Status.EXPIRED, now, detail="not at the gateway, and late")
        report.expired += 1
    elif message.second_sends >= MOST_SECOND_SENDS:
        detail = "not at the gateway after a second attempt"
        outbox.settle(session, message, Status.FAILED, now, detail=detail)
        report.refused += 1
    else:
        message.second_sends += 1
        outbox.settle(session, message, Status.QUEUED, now, detail="not at the gateway: once more")
        message.next_attempt_at = now
        report.later += 1


STATUS_OF = {
    Delivery.PENDING: Status.ACCEPTED,
    Delivery.SENT: Status.SENT,
    Delivery.DELIVERED: Status.DELIVERED,
    Delivery.UNDELIVERED: Status.UNDELIVERED,
}


def _keep_asking(
    sessions: Sessions, message: OutboxMessage, why: str, rules: SendingRules, now: datetime
) -> None:
    """The gateway cannot be asked now. Past its expiry the message is left as it is known."""
    with sessions.write() as session:
        row = _same_attempt(session, message)
        if row is None or row.status != Status.UNKNOWN:
            return
        if row.expires_at <= now:
            outbox.settle(
                session, row, Status.FAILED, now, detail=f"never known whether it left: {why}"
            )
            return
        row.error_detail = why
        row.next_attempt_at = now + max(rules.settle, timedelta(seconds=rules.backoff_base_s)) * 2
        session.add(row)
