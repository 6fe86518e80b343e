"""Many messages through a gateway and a mail server that misbehave; then a count of both sides.

Real code throughout: outbox, senders, the REST and SMTP transports over real sockets, and the web
pages that hear the gateway's receipts. Only the clock is set, so that waits pass at once. In the
end every message of the outbox is held against what the gateway and the mail server truly keep.
"""

from __future__ import annotations

import asyncio
import random
import socket
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import uvicorn
from databases import own_server
from factories import NOON, ZONE, build_message, loopback_settings, put_home
from fakes import SettableClock
from sqlmodel import col, select

from alerts.bootstrap import Parts, build_parts
from alerts.domain.delivery import DID_NOT_ARRIVE, TOLD, UNDERWAY, WAITING_FOR_RECEIPT, Status
from alerts.loopback.gateway import LoopbackGateway
from alerts.loopback.mailbox import LoopbackMailbox
from alerts.loopback.misbehaviour import Chance
from alerts.loopback.webhooks import Webhooks
from alerts.messages.marks import mark
from alerts.scheduler import run_receipts, run_sending
from alerts.services.delivery.receipts import ASK_FOR
from alerts.settings import Settings
from alerts.store import outbox
from alerts.store.tables import OutboxMessage
from alerts.transports.base import Channel, Transport
from alerts.transports.sms_rest import SmsRest
from alerts.transports.smtp import Smtp
from alerts.web.app import build_app

KINDS = ("coming", "start", "sample_due")  # each person gets one of each
AREA_CODES = range(201, 1000)
PHONES_OF_AN_AREA_CODE = 100  # 555-0100 to 555-0199 belong to nobody
ODD_PEOPLE = 40  # of so many people one cannot be reached, and one has opted out at the gateway
WEBHOOK_KEY = "signs-receipts-of-the-harness"
SENDER = "+12025550100"
PUBLIC_URL = "https://cutcall.example.org"
STEP, LONGEST_STEP = timedelta(seconds=40), timedelta(hours=6)
MOST_ROUNDS = 2000
ENDED = DID_NOT_ARRIVE | {Status.CANCELLED}


@dataclass(frozen=True, slots=True)
class Plan:
    """``share`` of all exchanges go wrong; an answer is waited for ``patience_s`` [s]."""

    messages: int
    share: float
    seed: int
    patience_s: float = 0.5
    concurrency: int = 20


@dataclass(frozen=True, slots=True)
class Finding:
    """What was counted; ``lost``, ``twice`` and ``unexplained`` tell of one message a line.

    Lost: the far side does not hold it, and the outbox says it does, or nothing of why not.
    Unexplained: the far side holds it, and the outbox neither knows nor says why it does not.
    """

    plan: Plan
    statuses: Counter[str]
    arrived: int  # held, and known to be
    reasons: Counter[str]  # of messages that ended otherwise, by what the outbox says of them
    given_up_yet_held: int  # a reason is told, and the far side holds the message
    lost: tuple[str, ...]
    twice: tuple[str, ...]
    unexplained: tuple[str, ...]
    repeats: int  # of emails under one Message-ID, which mail systems merge
    seconds: float
    rounds: int
    seen: Counter[str]  # by gateway and mail server

    @property
    def holds(self) -> bool:
        return not (self.lost or self.twice or self.unexplained)

    def table(self) -> str:
        whole = ("send", "list", "read", "receipt", "mail")
        faults = sum(count for what, count in self.seen.items() if what not in whole)
        rows = {
            "messages": self.plan.messages,
            "arrived": self.arrived,
            "ended with a reason": self.reasons.total(),
            "  of these held all the same": self.given_up_yet_held,
            "lost": len(self.lost),
            "sent twice": len(self.twice),
            "unexplained": len(self.unexplained),
            "emails repeated under one id": self.repeats,
            "seconds": f"{self.seconds:.0f}",
            "rounds": self.rounds,
            "requests and connections": sum(self.seen[what] for what in whole),
            "of these went wrong": faults,
        }
        lines = [f"{name:32}{value:>8}" for name, value in rows.items()]
        lines += [f"  {count:>6} {what}" for what, count in sorted(self.statuses.items())]
        lines += ["reasons:", *(f"  {count:>6} {why}" for why, count in self.reasons.most_common())]
        lines += ["seen:", *(f"  {count:>6} {what}" for what, count in sorted(self.seen.items()))]
        return "\n".join(lines)


def run(plan: Plan, url: str, folder: Path, sms: type[SmsRest] = SmsRest) -> Finding:
    """Run the plan on the empty database at ``url``; ``sms`` is the transport of texts."""
    clock = SettableClock(NOON, ZONE)
    chance = Chance(plan.seed, plan.share, plan.patience_s)
    people = [_Person(number) for number in range(-(-plan.messages // len(KINDS)))]
    bare = socket.create_server(("127.0.0.1", 0), backlog=1024)
    local_url = f"http://127.0.0.1:{bare.getsockname()[1]}"
    webhooks = Webhooks(f"{PUBLIC_URL}/none", WEBHOOK_KEY, PUBLIC_URL, local_url)
    gateway = LoopbackGateway(
        clock=clock,
        webhooks=webhooks,
        unreachable=[one.phone for one in people if one.number % ODD_PEOPLE == 1],
        opted_out=[one.phone for one in people if one.number % ODD_PEOPLE == 2],
        misbehaviour=chance.sending,
        read_misbehaviour=chance.reading,
        receipt_misbehaviour=chance.telling,
    )
    gone = {one.email: "550 5.1.1 no such mailbox" for one in people if one.number % ODD_PEOPLE < 2}
    mailbox = LoopbackMailbox(refuse=gone, misbehaviour=chance.mailing)
    with ExitStack() as stack:
        stack.enter_context(mailbox)
        stack.enter_context(gateway)
        settings = loopback_settings(
            url, folder, gateway, mailbox, public_url=PUBLIC_URL, sms_webhook_secret=WEBHOOK_KEY
        )
        parts = _parts(plan, settings, clock, sms)
        stack.callback(parts.sessions.engine.dispose)
        _queue(parts, plan, people)
        stack.enter_context(_web(parts, bare))
        started = time.monotonic()
        rounds = asyncio.run(_work(parts, clock, gateway))
        seconds = time.monotonic() - started
        return _compare(plan, parts, gateway, mailbox, seconds, rounds)


# -------------------------------------------------------------------------- the service


def _parts(plan: Plan, settings: Settings, clock: SettableClock, sms: type[SmsRest]) -> Parts:
    """The service as bootstrap wires it, but of little patience and without a bound on its rate,
    which would have to be waited for."""
    chance = random.Random(plan.seed)
    transports: dict[Channel, Transport] = {
        Channel.SMS: sms(
            base_url=settings.sms_url,
            account=settings.sms_account,
            secret=settings.sms_secret.get_secret_value(),
            sender=settings.sms_sender,
            status_callback=f"{PUBLIC_URL}/webhooks/sms/status",
            clock=clock,
            timeout_s=plan.patience_s,
        ),
        Channel.EMAIL: Smtp(
            host=settings.smtp_host,
            port=settings.smtp_port,
            use=settings.smtp_use,
            sender=settings.email_from,
            timeout_s=plan.patience_s,
            data_timeout_s=plan.patience_s,
        ),
    }
    parts = build_parts(settings, clock=clock, transports=transports, jitter=chance.random)
    pace = parts.schedule.sending.texts.model_copy(update={"per_second": 0, "in_flight": 1000})
    sending = parts.schedule.sending.model_copy(
        update={"concurrency": plan.concurrency, "texts": pace, "emails": pace}
    )
    return replace(parts, schedule=parts.schedule.model_copy(update={"sending": sending}))


@contextmanager
def _web(parts: Parts, bare: socket.socket) -> Iterator[None]:
    """The pages of the service, on a thread of their own."""
    server = uvicorn.Server(uvicorn.Config(build_app(parts), log_config=None, lifespan="off"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [bare]}, daemon=True)
    thread.start()
    try:
        yield
    finally:
        server.should_exit = True
        thread.join()
        bare.close()


async def _work(parts: Parts, clock: SettableClock, gateway: LoopbackGateway) -> int:
    """Round after round until nothing is under way any more; returns how many it took."""
    step, rounds = STEP, 0
    while rounds < MOST_ROUNDS:
        rounds += 1
        await run_sending(parts)
        moved = await run_receipts(parts)
        left = _left(parts, clock())
        if left is None:
            await asyncio.to_thread(gateway.tell_all)
            left = _left(parts, clock())
        if left is None:
            break
        # Where nothing moves any more, only days bring the end.
        step = min(step * 2, LONGEST_STEP) if left == clock() and not moved else STEP
        clock.now = max(clock.now + step, left)
    for transport in parts.transports.values():
        await transport.aclose()
    return rounds


def _left(parts: Parts, now: datetime) -> datetime | None:
    """When there will be something to do next; None when everything has come to its end."""
    underway = select(OutboxMessage).where(col(OutboxMessage.status).in_(sorted(UNDERWAY)))
    waiting = select(OutboxMessage.id).where(
        col(OutboxMessage.status).in_(sorted(WAITING_FOR_RECEIPT)),
        OutboxMessage.channel == "sms",
        col(OutboxMessage.accepted_at) >= now - ASK_FOR,
    )
    with parts.sessions.read() as session:
        found = session.exec(underway).all()
        if not found:
            return now if session.exec(waiting.limit(1)).first() else None
    return min(max(one.next_attempt_at, one.not_before) for one in found)


# --------------------------------------------------------------------------- the people


@dataclass(frozen=True, slots=True)
class _Person:
    number: int

    @property
    def channel(self) -> str:
        return "email" if self.number % 3 == 0 else "sms"

    @property
    def phone(self) -> str:
        code, rest = divmod(self.number, PHONES_OF_AN_AREA_CODE)
        return f"+1{AREA_CODES[code]}55501{rest:02d}"

    @property
    def email(self) -> str:
        return f"farmer{self.number}@example.org"

    @property
    def address(self) -> str:
        return self.email if self.channel == "email" else self.phone


def _queue(parts: Parts, plan: Plan, people: list[_Person]) -> None:
    home = put_home(parts.sessions)
    with parts.sessions.write() as session:
        for number in range(plan.messages):
            who, kind = people[number // len(KINDS)], KINDS[number % len(KINDS)]
            key = f"{kind}:{plan.seed}:{number}"
            text = f"Cutcall farm {who.number}: {kind} of the first cutting. {mark(key)}"
            changes = {"kind": kind, "channel": who.channel, "to_address": who.address}
            subject = f"Farm {who.number}: {kind}" if who.channel == "email" else ""
            message = build_message(home, key, text=text, subject=subject, **changes)
            assert outbox.enqueue(session, message) is not None


# ---------------------------------------------------------------------------- comparing


def _compare(
    plan: Plan,
    parts: Parts,
    gateway: LoopbackGateway,
    mailbox: LoopbackMailbox,
    seconds: float,
    rounds: int,
) -> Finding:
    texts, mails = gateway.held(), mailbox.held()
    with parts.sessions.read() as session:
        messages = session.exec(select(OutboxMessage).order_by(col(OutboxMessage.id))).all()
    copies = {
        one.public_id: texts[one.to_address, one.text]
        if one.channel == "sms"
        else mails[one.to_address, f"<{one.public_id}@example.org>"]
        for one in messages
    }
    strange = _strangers(messages, texts, mails)
    lost: list[OutboxMessage] = []
    unexplained: list[OutboxMessage] = []
    reasons: Counter[str] = Counter()
    arrived = given_up = 0
    for one in messages:
        is_held, status = copies[one.public_id] > 0, Status(one.status)
        has_reason = bool(one.error_code or one.error_detail)
        if status in TOLD and is_held:
            arrived += 1
        elif status in ENDED and has_reason:
            reasons[f"{one.channel} {one.status}: {one.error_code} {one.error_detail}"] += 1
            given_up += is_held and status is not Status.UNDELIVERED
        elif is_held:
            unexplained.append(one)
        else:
            lost.append(one)
    twice = [one for one in messages if one.channel == "sms" and copies[one.public_id] > 1]
    return Finding(
        plan=plan,
        statuses=Counter(f"{one.channel} {one.status}" for one in messages),
        arrived=arrived,
        reasons=reasons,
        given_up_yet_held=given_up,
        lost=tuple(map(_line, lost)),
        twice=(*map(_line, twice), *strange),
        unexplained=tuple(map(_line, unexplained)),
        repeats=sum(count - 1 for count in mails.values()),
        seconds=seconds,
        rounds=rounds,
        seen=gateway.seen + mailbox.seen,
    )


def _strangers(
    messages: list[OutboxMessage],
    texts: Counter[tuple[str, str]],
    mails: Counter[tuple[str, str]],
) -> list[str]:
    """What the far side holds and no message of ours accounts for: a mail under a second id."""
    ours = {(one.to_address, one.text) for one in messages} | {
        (one.to_address, f"<{one.public_id}@example.org>") for one in messages
    }
    return [f"{to} holds {what!r}" for to, what in [*texts, *mails] if (to, what) not in ours]


def _line(message: OutboxMessage) -> str:
    return (
        f"{message.channel} to {message.to_address} ({message.kind}): {message.status}, "
        f"{message.attempts} attempts, {message.error_code} {message.error_detail}"
    )


# ------------------------------------------------------------------------------ running


@contextmanager
def _database(engine: str, folder: Path) -> Iterator[str]:
    if engine == "sqlite":
        yield f"sqlite:///{folder / 'cutcall.db'}"
        return
    with own_server(folder) as url:
        yield url


def main(plan: Plan, engine: str) -> bool:
    """Run in a folder of its own and print what was counted; False when the promise is broken."""
    with TemporaryDirectory(prefix="cutcall-faults-") as name:
        folder = Path(name)
        with _database(engine, folder) as url:
            finding = run(plan, url, folder)
    sys.stdout.write(f"{engine}, seed {plan.seed}, {plan.share:.0%} go wrong\n{finding.table()}\n")
    for what in ("lost", "twice", "unexplained"):
        for line in getattr(finding, what)[:20]:
            sys.stdout.write(f"{what}: {line}\n")
    return finding.holds
