"""Messages whose outcome nobody knows: the gateway is asked before anything is sent again."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session

from alerts.domain.delivery import Status
from alerts.domain.errors import TransportError
from alerts.services.delivery.outcomes import same_attempts
from alerts.services.delivery.sending import STATUS_OF, SendingRules, SendReport
from alerts.store import opt_outs, outbox
from alerts.store.session import Sessions
from alerts.store.tables import OutboxMessage
from alerts.transports.base import Sighting, Transport

CLOCKS_APART = timedelta(minutes=1)
"""How far the clocks of two senders may differ (our judgement): a lease that another has just taken
may end that much later than one of our own."""

MOST_SECOND_SENDS = 1
"""How often an unclear message that the gateway does not hold is sent again."""


@dataclass(frozen=True, slots=True)
class _Words:
    """What is kept as the reason of a step."""

    again: str
    late: str
    given_up: str


ASKED = _Words(
    again="not at the gateway: once more",
    late="not at the gateway, and late",
    given_up="not at the gateway after a second attempt",
)
REPEATED = _Words(
    again="may have arrived: once more under the same Message-ID",
    late="may have arrived; too late to be repeated",
    given_up="may have arrived: no clear answer to a second attempt either",
)
"""Of a mail server, which cannot be asked what it holds."""


def give_up_lapsed(sessions: Sessions, now: datetime, rules: SendingRules) -> None:
    """A message whose sender died in the act may have left: it becomes `unknown`."""
    with sessions.write_beside() as session:
        for message in outbox.lapsed(session, now, rules.lease + CLOCKS_APART):
            outbox.settle(
                session, message, Status.UNKNOWN, now, detail="the sender stopped in the act"
            )
            message.next_attempt_at = now + rules.settle


async def reconcile(
    sessions: Sessions,
    transport: Transport,
    rules: SendingRules,
    clock: Callable[[], datetime],
    report: SendReport,
) -> None:
    """Ask the gateway about every message of its channel that is unclear for long enough."""
    while not rules.stopping.is_set():
        waiting = await asyncio.to_thread(_take, sessions, transport, rules, clock())
        if not waiting:
            return
        await asyncio.gather(
            *(_ask(sessions, transport, message, rules, clock, report) for message in waiting)
        )


def _take(
    sessions: Sessions, transport: Transport, rules: SendingRules, now: datetime
) -> list[OutboxMessage]:
    """Some of them, which no other sender asks about meanwhile."""
    with sessions.write_beside() as session:
        return outbox.take_unclear(
            session,
            channel=transport.channel.value,
            now=now,
            lease=rules.lease,
            limit=rules.concurrency,
        )


async def _ask(
    sessions: Sessions,
    transport: Transport,
    message: OutboxMessage,
    rules: SendingRules,
    clock: Callable[[], datetime],
    report: SendReport,
) -> None:
    seen, why = None, ""
    try:
        if not transport.repeatable:
            seen = await transport.find(rules.outgoing(message))
    except TransportError as error:
        why = str(error)

    def write() -> None:
        with sessions.write_beside() as session:
            [(_, row)] = same_attempts(session, [message])
            # A receipt may have settled it while the gateway was asked.
            if row is not None and row.status == Status.UNKNOWN:
                if why:
                    _keep_asking(session, row, why, rules, clock())
                else:
                    words = REPEATED if transport.repeatable else ASKED
                    _resolve(session, row, seen, words, clock(), report)

    await asyncio.to_thread(write)


def _resolve(
    session: Session,
    message: OutboxMessage,
    seen: Sighting | None,
    words: _Words,
    now: datetime,
    report: SendReport,
) -> None:
    if seen is not None:
        message.gateway_id, message.gateway_status = seen.gateway_id, seen.status
        moved = outbox.settle(session, message, STATUS_OF[seen.delivery], now, code=seen.code)
        if moved and seen.opted_out:
            opt_outs.stop(session, message.channel, message.to_address, now, "at the gateway")
        report.accepted += 1
    elif message.expires_at <= now:
        outbox.settle(session, message, Status.EXPIRED, now, detail=words.late)
        report.expired += 1
    elif message.second_sends >= MOST_SECOND_SENDS:
        outbox.settle(session, message, Status.FAILED, now, detail=words.given_up)
        report.refused += 1
    else:
        message.second_sends += 1
        outbox.settle(session, message, Status.QUEUED, now, detail=words.again)
        message.next_attempt_at = now
        report.later += 1


def _keep_asking(
    session: Session, row: OutboxMessage, why: str, rules: SendingRules, now: datetime
) -> None:
    """The gateway cannot be asked now. Past its expiry the message is left as it is known."""
    if row.expires_at <= now:
        outbox.settle(
            session, row, Status.FAILED, now, detail=f"never known whether it left: {why}"
        )
        return
    row.error_detail = why
    row.next_attempt_at = now + max(rules.settle, timedelta(seconds=rules.backoff_base_s)) * 2
    session.add(row)
