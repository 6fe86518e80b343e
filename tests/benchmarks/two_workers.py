"""The same work on PostgreSQL by one process and by two.

The database server, and for texts the gateway too, run on the same machine: two workers on two
cores share them with it. How many of the cores the workers had, and all of them together, is shown
beside. Each figure is the median of some rounds, one worker and two by turns.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields
from multiprocessing import get_context
from multiprocessing.queues import Queue
from multiprocessing.synchronize import Barrier
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

from benchmarks.rows import Benchmark, Row, Size, at_least
from benchmarks.send import Desk, check_sent, dispatch_all, fill_with_texts, gateway
from benchmarks.state import NOW, Extent, fill, open_service, service, settle, warm_up
from databases import own_server
from sqlalchemy import update
from sqlmodel import Session, col, func, select

from alerts.scheduler import run_evaluation
from alerts.store.tables import Area, FieldOutlookRow

WORKERS = (1, 2)
MUST = at_least(1.7)
"""As far as the database leaves cores; what it leaves is shown."""

PATIENCE_S = 600.0


@dataclass(frozen=True, slots=True)
class Took:
    seconds: float
    cpu_s: float  # of the workers alone
    busy_s: float  # of all cores, whoever had them

    @property
    def cores(self) -> float:
        return self.cpu_s / self.seconds

    @property
    def busy(self) -> float:
        return self.busy_s / self.seconds

    @classmethod
    def middle(cls, some: Sequence[Took]) -> Took:
        return cls(*(median(getattr(one, name.name) for one in some) for name in fields(cls)))


def run(size: Size) -> Iterator[Row]:
    rounds = 3 if size is Size.FULL else 1
    yield from _evaluators(Extent(1000 if size is Size.FULL else 40), rounds)
    yield from _senders(10_000 if size is Size.FULL else 1_000, rounds)


def _rows(what: str, work: int, unit: str, rounds: dict[int, list[Took]]) -> Iterator[Row]:
    one, two = (Took.middle(rounds[number]) for number in WORKERS)
    speeds = work / two.seconds, work / one.seconds
    yield Row("two workers", f"{what}, two by one", *speeds, unit, MUST)
    yield Row("two workers", f"{what}, cores they had", two.cores, one.cores, "cores", None)
    yield Row("two workers", f"{what}, cores all had", two.busy, one.busy, "cores", None)


# --------------------------------------------------------------------------- evaluators


def _evaluators(extent: Extent, rounds: int) -> Iterator[Row]:
    took: dict[int, list[Took]] = {number: [] for number in WORKERS}
    with TemporaryDirectory() as folder, service("postgresql", Path(folder)) as parts:
        fill(parts, extent)
        for _ in range(rounds):
            for number in WORKERS:
                one = together(number, _evaluate, parts.settings.database_url, folder)
                took[number].append(one)
                with parts.sessions.write() as session:
                    _check_all_looked_at(session, extent)
                    session.exec(update(Area).values(due_at=NOW))
                settle(parts)
    yield from _rows("evaluators", extent.fields, "fields/s", took)


def _evaluate(ready: Barrier, used: Queue[float], url: str, folder: str) -> None:
    parts = open_service(url, Path(folder))
    warm_up(parts)
    ready.wait()
    began = time.process_time()
    run_evaluation(parts)
    used.put(time.process_time() - began)


def _check_all_looked_at(session: Session, extent: Extent) -> None:
    fields = session.exec(select(func.count()).select_from(FieldOutlookRow)).one()
    due = session.exec(select(func.count()).select_from(Area).where(col(Area.due_at) <= NOW)).one()
    if (fields, due) != (extent.fields, 0):
        raise RuntimeError(f"{fields} fields have an outlook, {due} areas are still due")


# ----------------------------------------------------------------------------- senders


def _senders(texts: int, rounds: int) -> Iterator[Row]:
    took: dict[int, list[Took]] = {number: [] for number in WORKERS}
    for number in WORKERS * rounds:
        with TemporaryDirectory() as folder, own_server(Path(folder)) as url:
            fill_with_texts(url, texts)
            with gateway(texts) as desk:
                took[number].append(together(number, _send, url, desk))
            check_sent(url, texts)
    yield from _rows("senders", texts, "texts/s", took)


def _send(ready: Barrier, used: Queue[float], url: str, desk: Desk) -> None:
    ready.wait()
    began = time.process_time()
    dispatch_all(url, desk)
    used.put(time.process_time() - began)


# ------------------------------------------------------------------------------- together


def together(number: int, work: Callable[..., None], *args: object) -> Took:
    """Seconds from the moment at which all of so many processes are ready until all have ended.

    ``work`` gets a barrier to wait at and a queue for the processor time it used, then ``args``.
    """
    context = get_context("spawn")
    ready, used = context.Barrier(number + 1), context.Queue()
    processes = [context.Process(target=work, args=(ready, used, *args)) for _ in range(number)]
    for process in processes:
        process.start()
    ready.wait()
    began, busy_before = time.perf_counter(), _busy_s()
    cpu_s = sum(used.get(timeout=PATIENCE_S) for _ in processes)
    took = Took(time.perf_counter() - began, cpu_s, _busy_s() - busy_before)
    for process in processes:
        process.join()
    return took


def _busy_s() -> float:
    """Seconds that all cores together were busy since the machine started (Linux, proc(5))."""
    first = Path("/proc/stat").read_text().partition("\n")[0]
    ticks = list(map(int, first.split()[1:9]))
    idle = ticks[3] + ticks[4]
    return (sum(ticks) - idle) / os.sysconf("SC_CLK_TCK")


BENCHMARKS = [Benchmark("two workers", "one process beside two, on PostgreSQL", run, slack=4)]
