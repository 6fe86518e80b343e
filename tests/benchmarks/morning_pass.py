"""A full morning pass: every area of a state is due, from its rows to outlooks and messages.

It is done by one process, and as the service does it, by as many as there are cores. The yardstick
reads the same rows with a bare cursor of the driver and writes the same number of rows, with the
same contents, back by executemany.
"""

from __future__ import annotations

import os
import resource
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from benchmarks.apart import in_child
from benchmarks.rows import Benchmark, Row, Size, at_most
from benchmarks.state import NOW, Extent, fill, open_service, service, warm_up
from sqlmodel import Session, col, func, select

from alerts.bootstrap import Parts
from alerts.scheduler import run_evaluation
from alerts.store.tables import Area, FarmOutlookRow, FieldOutlookRow, OutboxMessage

ENGINES = ("sqlite", "postgresql")
MOST_MIB = 500

READ = {
    "area": "id, name, time_zone, sampling_days, due_at, lease_owner, lease_until",
    "farm": "id, area_id, name, farmer_id, sampler_id, animal_class, \"index\", feed_target, "
    "handling_loss, harvest_method, harvest_days, which_load, notice_days, send_from, send_to, "
    "paused_until",
    "field": "id, farm_id, name, acres, grass_pct, soil, slope, watched, cutting, cut_on",
    "result": "field_id, cutting, sampled_on, rfv, rfq, ndf, method, spots, late_in_day",
    "person": "id, name, phone, email, language, alert_by",
    "consent": "person_id, channel, address",
}  # fmt: skip
"""What a pass must know."""

WRITTEN = ("field_outlook", "farm_outlook", "outbox", "message_field", "delivery_event")
"""Where it puts what it finds out."""


@dataclass(frozen=True, slots=True)
class Figures:
    """Seconds of a pass and of its yardstick, and what came of it."""

    seconds: float
    bare_s: float
    peak_mib: float  # of all processes that did our part together


def run(size: Size) -> Iterator[Row]:
    few, many = (Extent(200), Extent(2000)) if size is Size.FULL else (Extent(10), Extent(100))
    cores = len(os.sched_getaffinity(0))
    for engine in ENGINES:
        small, large, whole = (
            measured(engine, extent, processes)
            for extent, processes in ((few, 1), (many, 1), (many, cores))
        )
        case = f"{engine}, {many.fields:,} fields"
        for figures, fields in ((small, few.fields), (large, many.fields)):
            alone = f"{engine}, {fields:,} fields, one process"
            yield Row("pass", alone, figures.seconds, figures.bare_s, "s", None, figures.peak_mib)
        bound = at_most(2.5)
        peak = whole.peak_mib
        yield Row("pass", f"{case}, {cores} cores", whole.seconds, whole.bare_s, "s", bound, peak)
        yield Row("pass", f"{case}: memory", whole.peak_mib, MOST_MIB, "MiB", at_most(1))
        rates = large.seconds / many.fields * 1e6, small.seconds / few.fields * 1e6
        yield Row("pass", f"{engine}: growth", *rates, "us a field", at_most(1.2))


def run_large(size: Size) -> Iterator[Row]:
    """Ten times as many fields: what a pass takes grows with them and no faster."""
    few, many = (Extent(2000), Extent(20_000)) if size is Size.FULL else (Extent(10), Extent(100))
    cores = len(os.sched_getaffinity(0))
    before, now = (measured("sqlite", extent, cores) for extent in (few, many))
    case = f"sqlite, {many.fields:,} fields"
    bound, peak = at_most(2.5), now.peak_mib
    yield Row("large-pass", f"{case}, {cores} cores", now.seconds, now.bare_s, "s", bound, peak)
    yield Row("large-pass", f"{case}: memory", peak, MOST_MIB, "MiB", at_most(1))
    rates = now.seconds / many.fields * 1e6, before.seconds / few.fields * 1e6
    yield Row("large-pass", f"{case}: growth", *rates, "us a field", at_most(1.2))


def measured(engine: str, extent: Extent, processes: int) -> Figures:
    """A pass over a database made for it, and its yardstick."""
    with TemporaryDirectory() as folder, service(engine, Path(folder)) as parts:
        fill(parts, extent)
        url = parts.settings.database_url
        parts.sessions.engine.dispose()
        seconds, peak_mib = in_child(_pass, url, folder, extent, processes).value
        return Figures(seconds, in_child(_bare, url).value, peak_mib)


def _pass(url: str, folder: str, extent: Extent, processes: int) -> tuple[float, float]:
    """Seconds, and memory at its highest [MiB]."""
    parts = open_service(url, Path(folder), processes)
    warm_up(parts)
    began = time.perf_counter()
    run_evaluation(parts)
    seconds = time.perf_counter() - began
    kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    # Each of the others, of which only the largest is told.
    kib += (processes - 1) * resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    _checked(parts, extent)
    return seconds, kib / 1024


def _checked(parts: Parts, extent: Extent) -> None:
    """Every field and farm has its outlook, made now, and some farms a message each."""
    with parts.sessions.read() as session:
        fields, farms, messages = (
            _count(session, table) for table in (FieldOutlookRow, FarmOutlookRow, OutboxMessage)
        )
        due = session.exec(
            select(func.count()).select_from(Area).where(col(Area.due_at) <= NOW)
        ).one()
        dated = session.exec(
            select(func.count())
            .select_from(FieldOutlookRow)
            .where(col(FieldOutlookRow.start_median).is_not(None), FieldOutlookRow.results == 8)
        ).one()
    if (fields, farms, due) != (extent.fields, extent.farms, 0):
        raise RuntimeError(f"{fields} fields, {farms} farms, {due} areas still due")
    if dated < 0.9 * extent.fields or not 0 < messages < extent.farms / 4:
        raise RuntimeError(f"{dated} fields have a date, {messages} messages")


def _count(session: Session, table: type) -> int:
    return session.exec(select(func.count()).select_from(table)).one()


# ---------------------------------------------------------------------- the yardstick


def _bare(url: str) -> float:
    """Seconds to read what a pass reads, and to write anew what it has written."""
    place, is_sqlite = _connection(url)
    with closing(place) as connection:
        cursor = connection.cursor()
        written = {table: _all(cursor, f"SELECT * FROM {table}") for table in WRITTEN}
        began = time.perf_counter()
        cursor.execute("BEGIN")
        for table, columns in READ.items():
            _all(cursor, f"SELECT {columns} FROM {table}")
        for table in reversed(WRITTEN):
            cursor.execute(f"DELETE FROM {table}")
        for table, rows in written.items():
            if rows:
                marks = ", ".join(["?" if is_sqlite else "%s"] * len(rows[0]))
                cursor.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)
        cursor.execute("COMMIT")
        return time.perf_counter() - began


def _connection(url: str) -> tuple[Any, bool]:
    if url.startswith("sqlite"):
        import sqlite3

        connection = sqlite3.connect(url.removeprefix("sqlite:///"), isolation_level=None)
        for pragma in ("journal_mode=WAL", "synchronous=NORMAL", "foreign_keys=ON"):
            connection.execute(f"PRAGMA {pragma}")
        return connection, True
    import psycopg
    from psycopg.types.json import set_json_loads

    set_json_loads(lambda raw: psycopg.types.json.Json(raw, dumps=lambda text: text.decode()))
    return psycopg.connect(url.replace("+psycopg", ""), autocommit=True), False


def _all(cursor: Any, query: str) -> Sequence[tuple[Any, ...]]:
    cursor.execute(query)
    rows: Sequence[tuple[Any, ...]] = cursor.fetchall()
    return rows


BENCHMARKS = [
    Benchmark("pass", "all areas looked at, database to database", run),
    Benchmark("large-pass", "the same for 1,000,000 fields; minutes", run_large, by_name=True),
]
