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
from alerts.services.delivery.outcomes import Attempt, record
from alerts.services.delivery.reconcile import give_up_lapsed, reconcile
from alerts.services.delivery.sending import SendingRules, SendReport
from alerts.store import gateways, night, opt_outs, outbox
from alerts.store.session import Sessions
from alerts.store.tables import Gateway, OutboxMessage
from alerts.transports.base import Channel, Outcome, SendResult, Transport

log = logging.getLogger(__name__)

SHARE_OF_LEASE = 0.8
"""Part of its lease an attempt may take."""

LOOK_AT_HOURS = timedelta(seconds=20)
"""How often a round looks whose hours have ended meanwhile."""


GATHERED_S = 0.01
"""How long an attempt that ended may wait for others to be recorded with it [s]."""


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
            ended, under_way = await self._some_ended(under_way)

    async def _some_ended(
        self, under_way: set[asyncio.Task[Attempt]]
    ) -> tuple[list[Attempt], set[asyncio.Task[Attempt]]]:
        """Wait for attempts to end, a moment longer than for the first: a transaction for many
        costs hardly more than for one."""
        done, left = await asyncio.wait(under_way, return_when=asyncio.FIRST_COMPLETED)
        if left:
            await asyncio.sleep(GATHERED_S)
            done |= {task for task in left if task.done()}
        return [task.result() for task in done], under_way - done

    def _turn_over(self, ended: Sequence[Attempt], free: int) -> list[OutboxMessage]:
        """Record what ended, and claim as many as there is room for."""
        now = self.clock()
        with self.sessions.write_beside() as session:
            # Before the messages: rows are locked in one order everywhere.
            gateway = gateways.locked(session, self.transport.channel.value)
            record(session, gateway, ended, self.rules, now, self.report)
            if self.rules.stopping.is_set():
                return []
            self._look_at_hours(session, now)
            return self._without_barred(session, self._claim(session, gateway, free, now), now)

    def _look_at_hours(self, session: Session, now: datetime) -> None:
        if self.looked_at is not None and abs(now - self.looked_at) < LOOK_AT_HOURS:
            return
        self.looked_at = now
        outbox.hold_closed_windows(session, self.transport.channel.value, now)
        night.hold_for_the_day(session, self.transport.channel.value, now)

    def _claim(
        self, session: Session, row: Gateway, free: int, now: datetime
    ) -> list[OutboxMessage]:
        """As many messages as this process, the gateway and its rate have room for."""
        channel, rules = self.transport.channel.value, self.rules.circuits[self.transport.channel]
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

    def _without_barred(
        self, session: Session, claimed: Sequence[OutboxMessage], now: datetime
    ) -> list[OutboxMessage]:
        """Cancel what would go to an address that must not be written to; the others."""
        if not claimed:
            return []
        addresses = {message.to_address for message in claimed}
        stopped = opt_outs.stopped_at(session, self.transport.channel.value, addresses)
        left = []
        for message in claimed:
            since = stopped.get(message.to_address)
            if since is None or _may_go(message, since):
                left.append(message)
            else:
                outbox.settle(session, message, Status.CANCELLED, now, detail="opted out")
        return left

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
            async with asyncio.timeout(allowed):
                return message, await self.transport.send(self.rules.outgoing(message))
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
