"""Real processes of the service, killed at random instants; then decisions against the gateway.

Farms that nobody needs to wait for are enrolled, results for them fall into the inbox bit by bit,
and senders, evaluators and tickers work as processes of their own while one after the other gets
SIGKILL and is started again. In the end each farm must have got exactly one text, as counted at the
gateway, and nowhere does what is written in the database say otherwise.
"""

from __future__ import annotations

import logging
import random
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from datetime import time as clock_time
from pathlib import Path
from tempfile import TemporaryDirectory

from crew import Crew, empty_database, environment
from sqlmodel import Session, col, func, select

from alerts.domain.delivery import TOLD, UNDERWAY, Status
from alerts.loopback.gateway import LoopbackGateway, StoredText
from alerts.store.session import Sessions, build_engine, upgrade
from alerts.store.tables import (
    Area,
    Consent,
    DeliveryEvent,
    Document,
    Farm,
    FarmField,
    OutboxMessage,
    Person,
)

log = logging.getLogger(__name__)

FIELDS_OF_AN_AREA = 20
AREA_CODES = range(201, 1000)
PHONES_OF_AN_AREA_CODE = 100  # 555-0100 to 555-0199 belong to nobody
ANSWER_DELAY_S = 0.15
"""Between taking a text and answering: where a kill leaves open whether it left."""

KILLS_PER_SHEET = 4
PATIENCE_S = 300.0


@dataclass(frozen=True, slots=True)
class Plan:
    kills: int
    messages: int
    engine: str  # sqlite or postgresql
    seed: int
    senders: int = 4
    evaluators: int = 2
    tickers: int = 2
    seconds_between_kills: float = 1.0


@dataclass(frozen=True, slots=True)
class Finding:
    """What was counted: ``lost``, ``twice`` and ``disagreeing`` name farms by their phone."""

    plan: Plan
    kills: Counter[str]
    seconds: float
    farms: int
    texts: int  # at the gateway
    lost: tuple[str, ...]
    twice: tuple[str, ...]
    disagreeing: tuple[str, ...]  # the database says told, the gateway holds nothing; or otherwise
    unclear: int  # messages whose outcome was unknown at some time
    second_sends: int

    @property
    def holds(self) -> bool:
        return not (self.lost or self.twice or self.disagreeing) and self.texts == self.farms

    def table(self) -> str:
        killed = ", ".join(f"{count} {name}" for name, count in sorted(self.kills.items()))
        return "\n".join(
            f"{name:34} {value}"
            for name, value in (
                ("engine", self.plan.engine),
                ("SIGKILLs", f"{self.kills.total()} ({killed})"),
                ("seconds", f"{self.seconds:.0f}"),
                ("farms to be told", self.farms),
                ("texts at the gateway", self.texts),
                ("outcome unknown at some time", self.unclear),
                ("sent a second time, since not there", self.second_sends),
                ("lost", len(self.lost)),
                ("sent twice", len(self.twice)),
                ("database disagrees with gateway", len(self.disagreeing)),
            )
        )


def run(plan: Plan, url: str, folder: Path) -> Finding:
    """Run the plan on the empty database at ``url``, with files in ``folder``."""
    engine = build_engine(url)
    upgrade(engine)
    sessions = Sessions(engine)
    phones = _enrol(sessions, plan.messages)
    chance = random.Random(plan.seed)
    started = time.monotonic()
    with _gateway() as gateway:
        kills = _kill_while_working(plan, chance, gateway, sessions, url, folder)
        finding = _compare(plan, kills, time.monotonic() - started, gateway, sessions, phones)
    engine.dispose()
    return finding


@contextmanager
def _gateway() -> Iterator[LoopbackGateway]:
    def take_long_to_answer(text: StoredText) -> None:
        time.sleep(ANSWER_DELAY_S)

    gateway = LoopbackGateway(
        clock=lambda: datetime.now(UTC),
        on_message=take_long_to_answer,
        journey=("queued", "delivered"),
    )
    with gateway:
        yield gateway


# ------------------------------------------------------------------------ the farms


def _phone(number: int) -> str:
    code, rest = divmod(number, PHONES_OF_AN_AREA_CODE)
    return f"+1{AREA_CODES[code]}55501{rest:02d}"


def _enrol(sessions: Sessions, farms: int) -> list[str]:
    """So many farms with one field each, all told by text at any hour; returns their phones."""
    now = datetime.now(UTC)
    with sessions.write() as session:
        for first in range(0, farms, FIELDS_OF_AN_AREA):
            area = Area(name=f"Area {first}", time_zone="Africa/Abidjan")
            session.add(area)
            session.flush()
            for number in range(first, min(first + FIELDS_OF_AN_AREA, farms)):
                _add_farm(session, area, number, now)
    return [_phone(number) for number in range(farms)]


def _add_farm(session: Session, area: Area, number: int, now: datetime) -> None:
    person = Person(name=f"Farmer {number}", phone=_phone(number))
    session.add(person)
    session.flush()
    assert person.id is not None and area.id is not None
    session.add(
        Consent(
            person_id=person.id,
            channel="sms",
            address=person.phone,
            given_on=now.date(),
            how="signed form",
            recorded_at=now,
        )
    )
    farm = Farm(
        area_id=area.id,
        name=f"Farm {number}",
        key=f"farm {number}",
        farmer_id=person.id,
        animal_class="milking_cows",
        index="rfv",
        feed_target=150,
        handling_loss=20,
        harvest_method="haylage",
        harvest_days=2,
        which_load="last",
        notice_days=5,
        send_from=clock_time(0),
        send_to=clock_time(0),
    )
    session.add(farm)
    session.flush()
    assert farm.id is not None
    session.add(FarmField(farm_id=farm.id, name="North", key="north"))


def _sheets(farms: int, parts: int, on: date) -> list[str]:
    """Results of all farms in so many files; the values are below every target: 'past'."""
    rows = [f"Farm {number},North,{on},nir,{130 + number % 7}" for number in range(farms)]
    size = -(-farms // parts)
    head = "farm,field,sampled_on,method,rfv"
    return [
        "\n".join([head, *rows[start : start + size]]) + "\n" for start in range(0, farms, size)
    ]


# -------------------------------------------------------------------- the processes


def _kill_while_working(
    plan: Plan,
    chance: random.Random,
    gateway: LoopbackGateway,
    sessions: Sessions,
    url: str,
    folder: Path,
) -> Counter[str]:
    crew = Crew(folder, environment(gateway, url, folder))
    names = [
        f"{role}-{number}"
        for role, count in (
            ("sender", plan.senders),
            ("evaluator", plan.evaluators),
            ("ticker", plan.tickers),
        )
        for number in range(count)
    ]
    inbox = folder / "inbox"
    inbox.mkdir()
    parts = max(1, plan.kills // KILLS_PER_SHEET)
    sheets = _sheets(plan.messages, parts, on=datetime.now(UTC).date())
    kills: Counter[str] = Counter()
    with ExitStack() as stack:
        stack.callback(crew.end)
        for name in names:
            crew.start(name)
        for number in range(plan.kills):
            if number % KILLS_PER_SHEET == 0 and sheets:
                _drop(inbox, sheets.pop(0))
            time.sleep(chance.uniform(0, 2 * plan.seconds_between_kills))
            name = chance.choice(names)
            crew.kill(name)
            kills[name.partition("-")[0]] += 1
            crew.start(name)
        for sheet in sheets:
            _drop(inbox, sheet)
        _wait_until_settled(sessions, inbox, plan.messages)
    return kills


def _drop(inbox: Path, sheet: str) -> None:
    """As a laboratory should: written under another name, then renamed."""
    part = inbox / f"{time.time_ns()}.part"
    part.write_text(sheet)
    part.rename(part.with_suffix(".csv"))


def _wait_until_settled(sessions: Sessions, inbox: Path, farms: int) -> None:
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        with sessions.read() as session:
            left = _unsettled(session)
            told = session.exec(select(func.count()).select_from(OutboxMessage)).one()
        if not left and told >= farms and not list(inbox.glob("*.csv")):
            return
        time.sleep(0.5)
    log.error("not settled within %.0f s: %d things are under way", PATIENCE_S, left)


def _unsettled(session: Session) -> int:
    """Messages under way, documents unread and areas due."""
    now = datetime.now(UTC)
    counts = (
        select(func.count())
        .select_from(OutboxMessage)
        .where(col(OutboxMessage.status).in_(sorted(UNDERWAY))),
        select(func.count()).select_from(Document).where(col(Document.read_at).is_(None)),
        select(func.count()).select_from(Area).where(col(Area.due_at) <= now),
    )
    return sum(session.exec(query).one() for query in counts)


# ------------------------------------------------------------------------- comparing


def _compare(
    plan: Plan,
    kills: Counter[str],
    seconds: float,
    gateway: LoopbackGateway,
    sessions: Sessions,
    phones: list[str],
) -> Finding:
    held = Counter(text.to for text in gateway.texts)
    with sessions.read() as session:
        messages = list(session.exec(select(OutboxMessage)))
        unclear = session.exec(
            select(func.count(func.distinct(col(DeliveryEvent.message_id)))).where(
                DeliveryEvent.status == Status.UNKNOWN
            )
        ).one()
    told = Counter(message.to_address for message in messages if message.status in TOLD)
    return Finding(
        plan=plan,
        kills=kills,
        seconds=seconds,
        farms=len(phones),
        texts=held.total(),
        lost=tuple(phone for phone in phones if not held[phone]),
        twice=tuple(phone for phone in phones if held[phone] > 1),
        disagreeing=tuple(phone for phone in phones if told[phone] != held[phone]),
        unclear=unclear,
        second_sends=sum(message.second_sends for message in messages),
    )


def main(plan: Plan) -> bool:
    """Run in a folder of its own and print what was counted; False when the promise is broken."""
    with (
        TemporaryDirectory(prefix="cutcall-kills-") as name,
        empty_database(plan.engine, Path(name)) as url,
    ):
        finding = run(plan, url, Path(name))
        sys.stdout.write(finding.table() + "\n")
        for what in ("lost", "twice", "disagreeing"):
            for phone in getattr(finding, what)[:20]:
                sys.stdout.write(f"{what}: {phone}\n")
        return finding.holds
