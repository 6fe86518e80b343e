"""How fast texts leave: the sender with all its states kept, beside a loop that only posts.

Both write the same texts to a gateway on this machine that takes 50 ms over each, with 50 under
way at a time, and each opens a connection for every text: the service does so since a connection
that ends just as it is used again cannot be told from a lost answer (`transports.sms_rest`), and
the loopback gateway ends every connection after its answer, so that keeping them would change
nothing. The gateway, our sender and the bare loop have a process each.
"""

from __future__ import annotations

import asyncio
import shutil
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

import httpx
from benchmarks.apart import Done, in_child
from benchmarks.rows import Benchmark, Row, Size, at_least, at_most
from databases import own_server
from factories import NOON, build_message, put_home
from sqlmodel import col, func, select

from alerts.domain.circuit import CircuitRules
from alerts.loopback.gateway import Fault, LoopbackGateway
from alerts.messages.marks import mark
from alerts.services.delivery.dispatch import dispatch_due
from alerts.services.delivery.sending import SendingRules
from alerts.store import outbox
from alerts.store.session import Sessions, build_engine, upgrade
from alerts.store.tables import DeliveryEvent, OutboxMessage
from alerts.transports.base import Channel
from alerts.transports.sms_rest import SmsRest

LATENCY_S = 0.05
CONCURRENCY = 50
SENDER = "+12025550100"
AREA_CODES = range(201, 1000)
PHONES_OF_AN_AREA_CODE = 100  # 555-0100 to 555-0199 belong to nobody
STEPS = ("queued", "sending", "accepted")
VALID_S = 14400


@dataclass(frozen=True, slots=True)
class Desk:
    """Where a gateway listens."""

    base_url: str
    account: str
    secret: str


Work = Callable[[str, Desk], Done[float]]


def run(size: Size) -> Iterator[Row]:
    texts, fewer, rounds = (10_000, 1_000, 3) if size is Size.FULL else (300, 100, 1)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(TemporaryDirectory(prefix="cutcall-send-")))
        many, few = _filled(folder, texts), _filled(folder, fewer)
        ours: list[Done[float]] = []
        bare: list[Done[float]] = []
        for number in range(rounds):  # by turns
            url = _copied(many, folder / f"{number}.db")
            ours.append(_ours(url, texts))
            bare.append(_bare(texts))
        small = _ours(_copied(few, folder / "few.db"), fewer)
        ours_s, bare_s = (median(one.value for one in done) for done in (ours, bare))
        peak = max(one.peak_mib for one in ours)
        yield Row(
            *("send", f"{texts:,} texts, SQLite", texts / ours_s, texts / bare_s, "texts/s"),
            *(at_least(0.85), peak),
        )
        yield Row(
            *("send", f"memory, {texts:,} texts by {fewer:,}", peak, small.peak_mib, "MiB"),
            *(at_most(1.2), peak),
        )
        server = stack.enter_context(own_server(folder))
        fill_with_texts(server, texts)
        done = _ours(server, texts)
        yield Row(
            *("send", f"{texts:,} texts, PostgreSQL", texts / done.value, texts / bare_s),
            *("texts/s", None, done.peak_mib),
        )


# ------------------------------------------------------------------------------- the gateway


@contextmanager
def gateway(texts: int) -> Iterator[Desk]:
    """A gateway in a process of its own; in the end it must hold each text once."""
    here, there = get_context("spawn").Pipe()
    process = get_context("spawn").Process(target=_serve, args=(there,), daemon=True)
    process.start()
    try:
        yield here.recv()
        here.send("held")
        held: Counter[tuple[str, str]] = here.recv()
        # The last word of each is its mark, which with the number tells texts apart.
        marked = Counter((to, body.split()[-1]) for to, body in held.elements())
        if marked.total() != texts or set(marked.values()) != {1}:
            raise RuntimeError(f"the gateway holds {marked.total()} of {texts} texts, or one twice")
    finally:
        process.kill()
        process.join()


def _serve(pipe: Connection) -> None:
    slow = Fault(delay_s=LATENCY_S)
    gateway = LoopbackGateway(clock=lambda: datetime.now(UTC), misbehaviour=lambda: slow)
    with gateway:
        pipe.send(Desk(gateway.base_url, gateway.account, gateway.secret))
        pipe.recv()
        pipe.send(gateway.held())


# ------------------------------------------------------------------------------------- ours


def _filled(folder: Path, texts: int) -> Path:
    """A database with so many texts queued."""
    path = folder / f"{texts}-queued.db"
    fill_with_texts(f"sqlite:///{path}", texts)
    return path


def fill_with_texts(url: str, texts: int) -> None:
    engine = build_engine(url)
    upgrade(engine)
    sessions = Sessions(engine)
    home = put_home(sessions)
    with sessions.write() as session:
        for number in range(texts):
            made = build_message(
                home, f"start:{number}", text=_words(number), to_address=_to(number)
            )
            if outbox.enqueue(session, made) is None:
                raise RuntimeError("a text was not queued")
    engine.dispose()


def _copied(path: Path, to: Path) -> str:
    shutil.copyfile(path, to)
    return f"sqlite:///{to}"


def _ours(url: str, texts: int) -> Done[float]:
    with gateway(texts) as desk:
        done = in_child(dispatch_all, url, desk)
    check_sent(url, texts)
    return done


def dispatch_all(url: str, desk: Desk) -> float:
    """Send what the database at ``url`` holds; seconds it took."""
    sessions = Sessions(build_engine(url))
    began = time.perf_counter()

    def clock() -> datetime:
        return NOON + timedelta(seconds=time.perf_counter() - began)

    async def work() -> None:
        sms = SmsRest(
            base_url=desk.base_url,
            account=desk.account,
            secret=desk.secret,
            sender=SENDER,
            clock=clock,
        )
        await dispatch_due(sessions, {Channel.SMS: sms}, _rules(), "benchmark", clock)
        await sms.aclose()

    asyncio.run(work())
    return time.perf_counter() - began


def _rules() -> SendingRules:
    """As in service, but for bounds on the rate, which would have to be waited for."""
    unbounded = CircuitRules(per_second=0, in_flight=1000, failures=5, rest_s=30, rest_cap_s=900)
    return SendingRules(
        concurrency=CONCURRENCY,
        lease=timedelta(minutes=2),
        settle=timedelta(minutes=2),
        backoff_base_s=30,
        backoff_cap_s=900,
        circuits={Channel.SMS: unbounded},
        jitter=lambda: 0.5,
        public_url="https://cutcall.example.org",
        secret="of the benchmark",
    )


def check_sent(url: str, texts: int) -> None:
    """Every text was accepted at its first attempt, and every step of it was kept."""
    engine = build_engine(url)
    event = col(DeliveryEvent.status)
    with Sessions(engine).read() as session:
        taken = session.exec(
            select(func.count(func.distinct(OutboxMessage.gateway_id))).where(
                OutboxMessage.status == "accepted", OutboxMessage.attempts == 1
            )
        ).one()
        steps = dict(session.exec(select(event, func.count()).group_by(event)).all())
    engine.dispose()
    if taken != texts or steps != dict.fromkeys(STEPS, texts):
        raise RuntimeError(f"{taken} of {texts} texts were accepted; their steps: {steps}")


# ----------------------------------------------------------------------------- the yardstick


def _bare(texts: int) -> Done[float]:
    with gateway(texts) as desk:
        return in_child(post_all, desk, texts)


def post_all(desk: Desk, texts: int) -> float:
    """Post as many forms with httpx and nothing else; seconds it took."""
    address = f"{desk.base_url}/Accounts/{desk.account}/Messages.json"
    forms = iter(range(texts))

    async def post(client: httpx.AsyncClient) -> None:
        for number in forms:
            form = {"To": _to(number), "From": SENDER, "Body": _words(number)}
            form["ValidityPeriod"] = str(VALID_S)
            (await client.post(address, data=form)).raise_for_status()

    async def work() -> None:
        limits = httpx.Limits(max_keepalive_connections=0)
        async with httpx.AsyncClient(limits=limits, auth=(desk.account, desk.secret)) as client:
            await asyncio.gather(*(post(client) for _ in range(CONCURRENCY)))

    began = time.perf_counter()
    asyncio.run(work())
    return time.perf_counter() - began


def _to(number: int) -> str:
    code, rest = divmod(number, PHONES_OF_AN_AREA_CODE)
    return f"+1{AREA_CODES[code]}55501{rest:02d}"


def _words(number: int) -> str:
    return f"Cutcall farm {number}: start cutting about Thu May 13. {mark(f'start:{number}')}"


BENCHMARKS = [Benchmark("send", "texts through a gateway that takes 50 ms over each", run)]
