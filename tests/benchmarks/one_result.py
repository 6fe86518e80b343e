"""A result arrives: from the file to the message in the outbox, with few fields and with many.

Each is the first result of the morning of a farm whose crop has come to its target, so
that the whole of its area is looked at and its farmer is told.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

from benchmarks.apart import in_child
from benchmarks.rows import Benchmark, Row, Size, at_most
from benchmarks.state import FIELDS_OF_AREA, FIELDS_OF_FARM, NOW, TODAY, Extent, fill, open_service
from sqlalchemy import update
from sqlmodel import col, func, select

from alerts.bootstrap import Parts
from alerts.intake.base import RawDocument
from alerts.scheduler import run_evaluation
from alerts.services.results.accept_results import accept
from alerts.store.tables import Area, Farm, OutboxMessage

MOST_MS = 60.0
WARM_UP, FARMS_OF_AREA = 3, FIELDS_OF_AREA // FIELDS_OF_FARM


def run(size: Size) -> Iterator[Row]:
    small, large = (Extent(20), Extent(2000)) if size is Size.FULL else (Extent(6), Extent(12))
    times = {}
    for extent in (small, large):
        with TemporaryDirectory() as folder:
            done = in_child(_arrivals, folder, extent, min(20, extent.areas))
        times[extent] = done.value
        case = f"{extent.fields:,} fields"
        yield Row("one-result", case, done.value, MOST_MS, "ms", at_most(1), done.peak_mib)
    yield Row("one-result", "growth", times[large], times[small], "ms", at_most(1.3))


def _arrivals(folder: str, extent: Extent, results: int) -> float:
    """Median milliseconds from a file with one result to the message about it."""
    parts = open_service(f"sqlite:///{folder}/cutcall.db", Path(folder))
    fill(parts, extent)
    farms = [1 + area * FARMS_OF_AREA for area in range(results)]
    with parts.sessions.write() as session:
        session.exec(update(Area).values(due_at=NOW + timedelta(days=1)))
        wanted = update(Farm).where(col(Farm.id).in_(farms)).values(feed_target=185.0)
        session.exec(wanted)
    taken = [_arrival(parts, farm) for farm in farms]
    return median(taken[WARM_UP:]) * 1000


def _arrival(parts: Parts, farm: int) -> float:
    field = 1 + (farm - 1) * FIELDS_OF_FARM
    content = (
        "farm,field,sampled_on,lab,lab_number,method,rfv\n"
        f"Plum Bottom {farm},North {field},{TODAY},kestrel,N-{farm},nir,204\n"
    )
    document = RawDocument(f"{farm}.csv", content.encode(), "folder", "")
    before = _messages(parts)
    began = time.perf_counter()
    report = accept(parts.sessions, document, parts.intake_rules(), parts.clock())
    run_evaluation(parts)
    seconds = time.perf_counter() - began
    if report.accepted != 1 or _messages(parts) <= before:
        raise RuntimeError(f"the result of farm {farm} led to no message: {report}")
    return seconds


def _messages(parts: Parts) -> int:
    with parts.sessions.read() as session:
        return session.exec(select(func.count()).select_from(OutboxMessage)).one()


BENCHMARKS = [Benchmark("one-result", "from a result to its message", run)]
