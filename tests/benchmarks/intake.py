"""A laboratory's file through the real intake, beside a program that checks nothing.

Ours reads, validates, matches to fields, computes indexes and stores, as `cutcall` does with a file
of the inbox. The yardstick cuts the same bytes into cells with `csv.reader` and inserts them as
they are into a table of the same columns, with the same pragmas; it makes nothing of them.
"""

from __future__ import annotations

import csv
import io
import random
import sqlite3
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from datetime import time as time_of_day
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

from benchmarks.apart import in_child
from benchmarks.rows import Benchmark, Row, Size, at_least, at_most
from sqlmodel import col, func, select

from alerts.configfiles import read_guidelines, shipped_config_dir
from alerts.intake.base import RawDocument
from alerts.intake.labmap import load_lab_maps
from alerts.services.accept_results import IntakeReport, IntakeRules, accept
from alerts.store.session import Sessions, build_engine, upgrade
from alerts.store.tables import Area, Farm, FarmField, LabResult, Person

FARMS, FIELDS_A_FARM = 500, 4
FIRST_DAY, DAYS = date(2027, 4, 20), 45
TODAY = FIRST_DAY + timedelta(DAYS)
NOW = datetime(2027, 6, 5, 12, tzinfo=UTC)
HEADER = (
    *("Lab No", "Client", "Field ID", "Sampled", "Time", "Test", "Cut"),
    *("Crude Protein %DM", "ADF %DM", "aNDF %DM", "NDFD 48h %NDF", "NDFD 30h %NDF", "Fat %DM"),
    *("Ash %DM", "Dry Matter %", "RFV", "RFQ", "Comments"),
)
EVERY = 500  # one in so many rows is refused, one a repetition, one of a field nobody enrolled
PRAGMAS = ("journal_mode=WAL", "synchronous=NORMAL", "foreign_keys=ON", "busy_timeout=15000")


@dataclass(frozen=True, slots=True)
class Counts:
    """What must become of a file's rows."""

    accepted: int = 0
    repeated: int = 0
    unmatched: int = 0
    rejected: int = 0
    ndf_sum: float = 0.0  # of the rows accepted


def run(size: Size) -> Iterator[Row]:
    many, times = (100_000, 5) if size is Size.FULL else (5_000, 1)
    with TemporaryDirectory() as folder:
        file, small = Path(folder) / "many.csv", Path(folder) / "few.csv"
        counts, few = write_file(file, many), write_file(small, many // 10)
        rounds = []
        for turn in range(times):
            plain = in_child(store_plainly, file, Path(folder) / f"plain{turn}.db")
            whole = in_child(take_in, file, Path(folder) / f"ours{turn}.db", counts)
            tenth = in_child(take_in, small, Path(folder) / f"few{turn}.db", few)
            rounds.append((plain.value, whole.value, tenth.value, whole.peak_mib))
    plain_s, ours_s, tenth_s, peak = (median(one) for one in zip(*rounds, strict=True))
    case = f"{many:,} rows read and stored"
    yield Row(
        "intake", case, many / ours_s, many / plain_s, "rows/s", at_least(0.35), peak_mib=peak
    )
    case = f"time per row from {many // 10:,} to {many:,} rows"
    yield Row("intake", case, 1e6 * ours_s / many, 1e7 * tenth_s / many, "us per row", at_most(1.3))


def write_file(path: Path, rows: int) -> Counts:
    """A file of the invented Kestrel Creek laboratory; says what must become of its rows."""
    chance = random.Random(rows)
    accepted = repeated = unmatched = rejected = 0
    ndf_sum = 0.0
    before = _good(chance, 0)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(HEADER)
        for number in range(rows):
            cells = _good(chance, number)
            match number % EVERY:
                case 123:
                    rejected += 1
                    _spoil(cells, number // EVERY)
                case 234:
                    repeated += 1
                    cells = before
                case 345:
                    unmatched += 1
                    cells[2] = f"Nobody's {number % 7}"
                case _:
                    accepted += 1
                    ndf_sum += float(cells[9])
                    before = cells
            writer.writerow(cells)
    return Counts(accepted, repeated, unmatched, rejected, ndf_sum)


def _good(chance: random.Random, number: int) -> list[str]:
    place = chance.randrange(FARMS * FIELDS_A_FARM)
    day = FIRST_DAY + timedelta(chance.randrange(DAYS))
    hour, minute = chance.randrange(6, 12), chance.randrange(0, 60, 5)
    ndf = round(chance.uniform(32, 46), 1)
    adf = round(ndf * chance.uniform(0.74, 0.80), 1)
    rfv = (88.9 - 0.779 * adf) * (120 / ndf) / 1.29  # Stallings, C.C., 2004
    return [
        f"K{number:07d}",
        f"Farm {place // FIELDS_A_FARM}",
        f"Field {place % FIELDS_A_FARM}",
        day.strftime("%m/%d/%Y"),
        time_of_day(hour, minute).strftime("%I:%M %p"),
        "NIRS" if chance.random() < 0.8 else "Wet",
        "1",
        f"{chance.uniform(16, 25):.1f}",
        f"{adf:.1f}",
        f"{ndf:.1f}",
        f"{chance.uniform(40, 55):.1f}",
        f"{chance.uniform(30, 40):.1f}",
        f"{chance.uniform(1.5, 3):.1f}",
        f"{chance.uniform(8, 12):.1f}",
        f"{chance.uniform(18, 30):.1f}",
        f"{rfv:.0f}",
        "",
        "rained on" if chance.random() < 0.02 else "",
    ]


def _spoil(cells: list[str], turn: int) -> None:
    """One of the faults a reader must find."""
    column, text = ((3, "31/12/2027"), (9, "400"), (8, "60.0"), (7, "abc"), (2, ""))[turn % 5]
    cells[column] = text


def take_in(file: Path, database: Path, counts: Counts) -> float:
    """Seconds in which the service took the file in. RuntimeError when a row went astray."""
    engine = build_engine(f"sqlite:///{database}")
    upgrade(engine)
    sessions = Sessions(engine)
    _put_fields(sessions)
    document = RawDocument(file.name, file.read_bytes(), "folder")
    began = time.perf_counter()
    report = accept(sessions, document, _rules(), NOW)
    taken = time.perf_counter() - began
    _check(sessions, report, counts)
    engine.dispose()
    return taken


def _rules() -> IntakeRules:
    config = shipped_config_dir()
    return IntakeRules(
        lab_maps=tuple(load_lab_maps(config / "labs")),
        guidelines=read_guidelines(config / "guidelines.toml"),
        season_first_day=date(2027, 3, 1),
        sample_before=time_of_day(11),
        today=TODAY,
    )


def _put_fields(sessions: Sessions) -> None:
    with sessions.write() as session:
        area = Area(name="Heron Flats", time_zone="America/Chicago")
        farmer = Person(name="Ada Lindqvist")
        session.add_all([area, farmer])
        session.flush()
        farms = [_farm(f"Farm {number}", area.id, farmer.id) for number in range(FARMS)]
        session.add_all(farms)
        session.flush()
        session.add_all(
            FarmField(farm_id=farm.id, name=f"Field {place}", key=f"field {place}")
            for farm in farms
            for place in range(FIELDS_A_FARM)
        )


def _farm(name: str, area_id: int | None, farmer_id: int | None) -> Farm:
    return Farm(
        area_id=area_id,
        name=name,
        key=name.casefold(),
        farmer_id=farmer_id,
        animal_class="milking_cows",
        index="rfv",
        feed_target=160.0,
        handling_loss=25.0,
        harvest_method="haylage",
        harvest_days=2.0,
        which_load="last",
        notice_days=5,
        send_from=time_of_day(7),
        send_to=time_of_day(20),
    )


def _check(sessions: Sessions, report: IntakeReport, counts: Counts) -> None:
    told = (report.accepted, report.repeated, report.unmatched, len(report.rejected))
    wanted = (counts.accepted, counts.repeated, counts.unmatched, counts.rejected)
    figures = func.count(), func.sum(LabResult.ndf), func.count(col(LabResult.computed_rfq))
    with sessions.read() as session:
        matched = select(*figures).where(col(LabResult.field_id).is_not(None))
        stored, ndf_sum, with_rfq = session.exec(matched).one()
    kept = (counts.accepted, counts.accepted)
    if told != wanted or (stored, with_rfq) != kept or abs(ndf_sum - counts.ndf_sum) > 1e-3:
        raise RuntimeError(f"of {wanted} the report says {told}, stored are {stored} ({ndf_sum})")


def store_plainly(file: Path, database: Path) -> float:
    """Seconds for the same rows without a look at them."""
    content = file.read_bytes()
    connection = sqlite3.connect(database, isolation_level=None)
    for pragma in PRAGMAS:
        connection.execute(f"PRAGMA {pragma}")
    columns = ", ".join(f'"{name}"' for name in HEADER)
    connection.execute(f"CREATE TABLE plain (id INTEGER PRIMARY KEY, {columns})")
    marks = ", ".join("?" * len(HEADER))
    began = time.perf_counter()
    reader = csv.reader(io.StringIO(content.decode(), newline=""))
    next(reader)
    connection.execute("BEGIN IMMEDIATE")
    connection.executemany(f"INSERT INTO plain ({columns}) VALUES ({marks})", reader)
    connection.execute("COMMIT")
    taken = time.perf_counter() - began
    [stored] = connection.execute("SELECT count(*) FROM plain").fetchone()
    connection.close()
    if stored != content.count(b"\n") - 1:
        raise RuntimeError(f"the yardstick stored {stored} rows")
    return taken


BENCHMARKS = [Benchmark("intake", "a laboratory's file, read and stored", run)]
