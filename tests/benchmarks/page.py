"""How long the pages take that are opened most, for 20 people who use them at once.

A consultant has 200 clients, all with results and an outlook by the real evaluation. The service's
pages run in a process of their own, as `cutcall serve --only web` runs them, and the people ask
from another, over connections that are kept. While they do, the database changes every second, as
a ticker changes it; nothing of what is shown is older than that.

"20 at once" is asked in two ways: each asks anew the moment an answer is there, so that 20
requests are always waiting; or each looks at a page for a second before the next.
"""

from __future__ import annotations

import asyncio
import itertools
import math
import random
import re
import socket
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from datetime import time as day_time
from multiprocessing import get_context
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

import httpx
from advisers import PER, farm, page_of
from benchmarks.apart import in_child
from benchmarks.rows import Benchmark, Row, Size, at_most
from factories import MONDAY, ZONE, Service, build_settings, day
from fakes import FakeSource, FakeTransport, SettableClock
from starlette.responses import HTMLResponse

from alerts.bootstrap import build_parts
from alerts.cli.serving import serve_app
from alerts.services.access.links import Role, link_path
from alerts.store import jobs
from alerts.store.tables import Farm
from alerts.transports.base import Channel
from alerts.web.app import build_app

USERS = 20
THINKS_S = 1.0
LONGEST_MS = 60.0
CONSTANT = "/benchmark-constant"
AREAS = ("Heron Flats", "Alder Reach", "Stone Bench", "Willow Draw")
NOW = datetime.combine(MONDAY, day_time(12), tzinfo=ZONE)
PATIENCE_S = 30.0


@dataclass(frozen=True, slots=True)
class Seeded:
    """A database with a consultant's clients, and the addresses of the pages."""

    url: str
    consultant: str
    farms: tuple[str, ...]
    clients: int


def run(size: Size) -> Iterator[Row]:
    clients, rounds, seconds = (200, 3, 8.0) if size is Size.FULL else (8, 1, 1.0)
    # In the tests, other tests run beside: only people who look at what they get can be judged.
    paces = (0.0, THINKS_S) if size is Size.FULL else (THINKS_S,)
    with TemporaryDirectory(prefix="cutcall-page-") as name:
        seeded = in_child(seed, Path(name), clients).value
        pages: Mapping[str, Sequence[str]] = {
            "constant": [CONSTANT],
            "farm page": seeded.farms,
            f"table of {clients} clients": [seeded.consultant],
        }
        with _serving(seeded, Path(name)) as port:
            for thinks in paces:
                how = f"{thinks:g} s apart" if thinks else "back to back"
                taken: dict[str, list[float]] = {page: [] for page in pages}
                for _ in range(rounds):  # by turns
                    for page, paths in pages.items():
                        asked = in_child(ask_all, port, list(paths), thinks, seconds)
                        taken[page].append(_p95(asked.value) * 1000)
                p95 = {page: median(one) for page, one in taken.items()}
                constant = p95.pop("constant")
                for page, ours in p95.items():
                    case = f"{page}, {USERS} users {how}"
                    yield Row("page", f"{case}: p95", ours, LONGEST_MS, "ms", at_most(1))
                    yield Row("page", f"{case}: p95 by a constant", ours, constant, "ms", None)


def _p95(seconds: Sequence[float]) -> float:
    ordered = sorted(seconds)
    return ordered[math.ceil(0.95 * len(ordered)) - 1]


# --------------------------------------------------------------------------------- the people


def ask_all(port: int, paths: list[str], thinks_s: float, seconds: float) -> list[float]:
    """Seconds each answer took that ``USERS`` people got within so many seconds."""
    taken: list[float] = []

    async def user(number: int, until: float) -> None:
        chance = random.Random(number)
        line = await _Line.to(port)
        await line.get(paths[number % len(paths)])
        await asyncio.sleep(chance.random() * thinks_s)
        for turn in itertools.count(number):
            began = time.perf_counter()
            if began > until:
                break
            page = await line.get(paths[turn % len(paths)])
            taken.append(time.perf_counter() - began)
            if not page.rstrip().endswith(b"</html>"):
                raise RuntimeError(f"no whole page: {page[-100:]!r}")
            # As regular as a clock, people would never meet.
            await asyncio.sleep(thinks_s * (0.5 + chance.random()))
        line.close()

    async def work() -> None:
        until = time.perf_counter() + max(seconds, 3 * thinks_s)
        await asyncio.gather(*(user(number, until) for number in range(USERS)))

    asyncio.run(work())
    return taken


class _Line:
    """A connection that is kept, with no more to it: a client's library takes longer over an
    answer than the service over the shortest, and 20 at once would wait for it."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer

    @classmethod
    async def to(cls, port: int) -> _Line:
        return cls(*await asyncio.open_connection("127.0.0.1", port))

    async def get(self, path: str) -> bytes:
        """The body of an answer that says 200."""
        self._writer.write(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
        head = (await self._reader.readuntil(b"\r\n\r\n")).lower()
        length = re.search(rb"\r\ncontent-length: (\d+)\r\n", head)
        if length is None or not head.startswith(b"http/1.1 200 "):
            raise RuntimeError(f"{head!r} instead of a page")
        return await self._reader.readexactly(int(length[1]))

    def close(self) -> None:
        self._writer.close()


# --------------------------------------------------------------------------------- the service


@contextmanager
def _serving(seeded: Seeded, folder: Path) -> Iterator[int]:
    """Port of the pages, checked once, with a ticker beside them."""
    spawn = get_context("spawn")
    bare = socket.create_server(("127.0.0.1", 0), backlog=2048)
    port = bare.getsockname()[1]
    work = (serve, (seeded.url, folder, bare)), (tick, (seeded.url, folder))
    processes = [spawn.Process(target=what, args=given, daemon=True) for what, given in work]
    for process in processes:
        process.start()
    try:
        _check(f"http://127.0.0.1:{port}", seeded)
        yield port
    finally:
        for process in processes:
            process.kill()
            process.join()
        bare.close()


def serve(url: str, folder: Path, bare: socket.socket) -> None:
    """What `cutcall serve --only web` runs, with a page more that says always the same."""
    service = _service(url, folder)
    app = build_app(service.parts)

    @app.get(CONSTANT)
    def constant() -> HTMLResponse:
        return HTMLResponse("<!doctype html><html><title>constant</title></html>")

    serve_app(app, bare)


def tick(url: str, folder: Path) -> None:
    """Keeps the row of a job each second, never the same: that would change nothing."""
    service = _service(url, folder)
    now = service.clock()
    for number in itertools.count():
        time.sleep(1)
        with service.sessions.write() as session:
            said = f"tick {number}"
            jobs.put_run(session, name="clock", started_at=now, ended_at=now, ok=True, detail=said)


def _check(base: str, seeded: Seeded) -> None:
    """The pages show what they should before they are timed."""
    until = time.monotonic() + PATIENCE_S
    with httpx.Client(base_url=base, timeout=PATIENCE_S) as client:
        table = client.get(seeded.consultant).text
        if f"{seeded.clients} of {seeded.clients} clients" not in table:
            raise RuntimeError("the table does not show every client")
        if table.count("80 % range") != seeded.clients:
            raise RuntimeError("a client of the table has no start date")
        for path in seeded.farms[:3]:
            page = client.get(path).text
            chart = page.partition('<img src="')[2].partition('"')[0].replace("&amp;", "&")
            drawn = client.get(chart)
            if drawn.status_code != 200 or b"<svg" not in drawn.content:
                raise RuntimeError(f"the farm page {path} shows no chart")
    if time.monotonic() > until:
        raise RuntimeError("the pages took too long to come up")


# ------------------------------------------------------------------------------------ the farms


def _service(url: str, folder: Path) -> Service:
    clock = SettableClock(NOW, ZONE)
    sms, mail = FakeTransport(channel=Channel.SMS), FakeTransport(channel=Channel.EMAIL)
    parts = build_parts(
        build_settings(url, folder), clock=clock, transports={Channel.SMS: sms, Channel.EMAIL: mail}
    )
    source = FakeSource()
    return Service(replace(parts, source=source), clock, sms, mail, source)


def seed(folder: Path, clients: int) -> Seeded:
    """Farms of two fields, sampled twice, looked at and told by text."""
    url = f"sqlite:///{folder / 'cutcall.db'}"
    service = _service(url, folder)
    service.clock.set(MONDAY, day_time(6, 5))
    names = [f"Farm {number:03d}" for number in range(clients)]
    service.enrol(
        *(
            farm(
                *(name, field),
                area=AREAS[number % len(AREAS)],
                farmer=f"Farmer {number:03d}",
                phone=f"+1{201 + number // 100}55501{number % 100:02d}",
            )
            for number, name in enumerate(names)
            for field in ("North", "South")
        )
    )
    service.results(
        *(
            {
                "farm": name,
                "field": field,
                "sampled_on": day(-ago).isoformat(),
                "rfv": 200 + 7 * (number % 9) + 4 * ago,
            }
            for number, name in enumerate(names)
            for field in ("North", "South")[: 1 + number % 2]
            for ago in (4, 0)
        )
    )
    service.evaluate()
    service.clock.set(MONDAY, day_time(7, 5))
    service.send()
    consultant = page_of(service, Role.CONSULTANT, PER)
    with service.sessions.write() as session:
        farms = tuple(
            link_path(
                *(session, service.parts.link_rules(), Role.FARM),
                person_id=one.farmer_id,
                farm_id=one.id,
                now=service.clock(),
            )
            for one in service.rows(Farm)
        )
    service.sessions.engine.dispose()
    return Seeded(url, consultant, farms, clients)


BENCHMARKS = [
    Benchmark("page", "the pages of a farm and of a consultant, 20 people at once", run, slack=4)
]
