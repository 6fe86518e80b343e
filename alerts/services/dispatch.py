"""Sending what the outbox holds: claim, commit, one attempt, record.

No session is open while a gateway is talked to. An attempt whose outcome nobody knows becomes
`unknown`; the gateway is asked before anything is sent again, and a second time is the last.
Any number of senders may work on one database.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlmodel import Session

from alerts.domain import circuit, trace
from alerts.domain.decision import ASKED_FOR, TO_THE_STOPPED
from alerts.domain.delivery import Status
from alerts.services.outcomes import Attempt, record
from alerts.services.reconcile import give_up_lapsed, reconcile
from alerts.services.sending import SendingRules, SendReport
from alerts.store import gateways, night, outbox, people
from alerts.store.session import Sessions
from alerts.store.tables import OutboxMessage
from alerts.transports.base import Channel, Outcome, SendResult, Transport

log = logging.getLogger(__name__)

SHARE_OF_LEASE = 0.8
"""Part of its lease an attempt may take."""

LOOK_AT_HOURS = timedelta(seconds=20)
"""How often a round looks whose hours have ended meanwhile."""


async def dispatch_due(
    sessions: Sessions,
    transports: Mapping[Channel, Transport],
    rules: SendingRules,
    owner: str,
    clock: Callable[[], datetime],
) -> SendReport:
    """Send every message that may go out now, on every channel at once."""
    report = SendReport()
    _expire(sessions, clock(), report)
    give_up_lapsed(sessions, clock(), rules)
    lanes = [_Lane(sessions, transport, rules, owner, clock) for transport in transports.values()]
    for lane_report in await asyncio.gather(*(lane.serve() for lane in lanes)):
        report += lane_report
    return report


def _expire(sessions: Sessions, now: datetime, report: SendReport) -> None:
    with sessions.write_beside() as session:
        for message in outbox.stale(session, now):
            outbox.settle(session, message, Status.EXPIRED, now, detail="too late to be of use")
            report.expired += 1


@dataclass(slots=True)
class _Lane:
    """One channel in one round: so many attempts at a time, and as one ends, the next begins.

    Whatever ended meanwhile is recorded in one transaction, in which the free places are filled.
    """

    sessions: Sessions
    transport: Transport
    rules: SendingRules
    owner: str
    clock: Callable[[], datetime]
    report: SendReport = field(default_factory=SendReport)
    looked_at: datetime | None = None

    async def serve(self) -> SendReport:
        await reconcile(self.sessions, self.transport, self.rules, self.clock, self.report)
        under_way: set[asyncio.Task[Attempt]] = set()
        ended: list[Attempt] = []
        while True:
            free = self.rules.concurrency - len(under_way)
            claimed = await asyncio.to_thread(self._turn_over, ended, free)
            under_way |= {asyncio.create_task(self._traced(message)) for message in claimed}
            if not under_way:
                return self.report
            done, under_way = await asyncio.wait(under_way, return_when=asyncio.FIRST_COMPLETED)
            ended = [task.result() for task in done]

    def _turn_over(self, ended: Sequence[Attempt], free: int) -> list[OutboxMessage]:
        """Record what ended, and claim as many as there is room for."""
        channel, now = self.transport.channel, self.clock()
        with self.sessions.write_beside() as session:
            record(session, channel, ended, self.rules, now, self.report)
            if self.rules.stopping.is_set():
                return []
            self._look_at_hours(session, now)
            claimed = self._claim(session, free, now)
            return [message for message in claimed if not self._is_barred(session, message, now)]

    def _look_at_hours(self, session: Session, now: datetime) -> None:
        if self.looked_at is not None and abs(now - self.looked_at) < LOOK_AT_HOURS:
            return
        self.looked_at = now
        outbox.hold_closed_windows(session, self.transport.channel.value, now)
        night.hold_for_the_day(session, self.transport.channel.value, now)

    def _claim(self, session: Session, free: int, now: datetime) -> list[OutboxMessage]:
        """As many messages as this process, the gateway and its rate have room for."""
        channel, rules = self.transport.channel.value, self.rules.circuits[self.transport.channel]
        row = gateways.locked(session, channel)
        state = circuit.refilled(gateways.circuit_of(row), rules, now)
        going = gateways.in_flight(session, channel, now)
        claimed = outbox.claim(
            session,
            channel=channel,
            owner=self.owner,
            now=now,
            lease=self.rules.lease,
            limit=min(free, circuit.may_leave(state, rules, going, now)),
        )
        if claimed:
            trial_ends = now + self.rules.lease
            gateways.put_circuit(session, row, circuit.spent(state, len(claimed), trial_ends))
        return claimed

    def _is_barred(self, session: Session, message: OutboxMessage, now: datetime) -> bool:
        """Cancel what would go to an address that must not be written to."""
        stopped = people.stopped_at(session, message.channel, [message.to_address])
        if not stopped or _may_go(message, stopped[message.to_address]):
            return False
        outbox.settle(session, message, Status.CANCELLED, now, detail="opted out")
        return True

    async def _traced(self, message: OutboxMessage) -> Attempt:
        with trace.about(message_id=message.public_id):
            return await self._attempt(message)

    async def _attempt(self, message: OutboxMessage) -> Attempt:
        """One attempt. None outlives its lease: somebody else would take the message for abandoned
        while it may still leave."""
        allowed = self.rules.lease.total_seconds() * SHARE_OF_LEASE
        name = self.transport.name
        if message.lease_until is None or self.clock() >= message.lease_until:
            # The process was asleep; by now the message may be somebody else's.
            return message, SendResult(Outcome.UNKNOWN, detail="not sent: its lease ran out")
        try:
            sending = self.transport.send(self.rules.outgoing(message))
            return message, await asyncio.wait_for(sending, allowed)
        except TimeoutError:
            detail = f"no outcome within {allowed:.0f} s"
            return message, SendResult(Outcome.UNKNOWN, detail=detail, gateway_wide=True)
        except Exception as error:
            # A bug in a transport must not leave messages without an outcome; whether the
            # request left is not known.
            log.exception("%s failed on message %s", name, message.public_id)
            return message, SendResult(Outcome.UNKNOWN, detail=f"{type(error).__name__}: {error}")


def _may_go(message: OutboxMessage, stopped_at: datetime) -> bool:
    """Whether a message may go to an address that stopped at that moment."""
    if message.kind in TO_THE_STOPPED:
        return True
    asked_since = message.kind in ASKED_FOR and stopped_at < message.created_at
    return asked_since and message.channel == "email"
