"""A laboratory's file through the real intake, beside a program that checks nothing.

Ours reads, validates, matches to fields, computes indexes and stores, as `cutcall` does with a
file of the inbox. Both yardsticks cut the same bytes into cells with `csv.reader` and insert them
with `executemany`, under the same pragmas, and make nothing of them. One fills our own table of
results, with its columns, keys and indexes; the other a bare table of the file's columns, which
could tell neither a repetition nor a correction and gives no field its results.
"""

from __future__ import annotations

import csv
import io
import random
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
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
from alerts.services.results.accept_results import IntakeReport, IntakeRules, accept
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
READINGS = {7: "cp_pct_dm", 8: "adf_pct_dm", 9: "ndf_pct_dm", 10: "ndfd48_pct_ndf", 12: "ee_pct_dm"}
OURS = {
    # The file repeats some numbers, and the pair must be unique.
    "identity": "'lab:kestrel creek forage laboratory|' || ?1",
    "version": "abs(random())",
    "document_id": "1",
    '"row"': "2",
    "farm_label": "?2",
    "field_label": "?3",
    "field_id": f"abs(random()) % {FARMS * FIELDS_A_FARM} + 1",
    "cutting": "?7",
    "lab": "'Kestrel Creek Forage Laboratory'",
    "lab_number": "?1",
    "method": "?6",
    "sampled_on": "?4",
    "sampled_at": "?5",
    "late_in_day": "0",
    "spots": "0",
    "readings": " || ".join(f"'{name}: ' || ?{place + 1}" for place, name in READINGS.items()),
    "remark": "?18",
    "rfv": "?16",
    "rfq": "?16",
    "ndf": "?10",
    "computed_rfv": "?16",
    "computed_rfq": "?16",
    "received_at": f"'{NOW.isoformat()}'",
}
"""What a yardstick puts under each column of our table, ?1 being the first cell of a row."""

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
    many, times = (100_000, 5) if size is Size.FULL else (20_000, 1)
    with TemporaryDirectory() as name:
        folder = Path(name)
        file, small = folder / "many.csv", folder / "few.csv"
        counts, few = write_file(file, many), write_file(small, many // 10)
        rounds = []
        for turn in range(times):
            alike = in_child(fill_our_table, file, folder / f"alike{turn}.db").value
            whole = in_child(take_in, file, folder / f"ours{turn}.db", counts)
            bare = in_child(fill_bare_table, file, folder / f"bare{turn}.db").value
            tenth = in_child(take_in, small, folder / f"few{turn}.db", few).value
            rounds.append((alike, bare, whole.value, tenth, whole.peak_mib))
    alike_s, bare_s, ours_s, tenth_s, peak = (median(one) for one in zip(*rounds, strict=True))
    rate, unit = many / ours_s, "rows/s"
    case = f"{many:,} rows, beside executemany into our table"
    yield Row("intake", case, rate, many / alike_s, unit, at_least(0.35), peak_mib=peak)
    case = f"{many:,} rows, beside a bare table without indexes"
    yield Row("intake", case, rate, many / bare_s, unit, at_least(0.35), reached=0.197)
    case = f"time per row from {many // 10:,} to {many:,} rows"
    ours, before = 1e6 * ours_s / many, 1e7 * tenth_s / many
    yield Row("intake", case, ours, before, "us per row", at_most(1.3))


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


def fill_our_table(file: Path, database: Path) -> float:
    """Seconds for the same cells, put under columns of our table, nothing read or checked."""
    engine = build_engine(f"sqlite:///{database}")
    upgrade(engine)
    _put_fields(Sessions(engine))
    engine.dispose()
    with closing(sqlite3.connect(database, isolation_level=None)) as connection:
        _prepare(connection)
        connection.execute(
            "INSERT INTO document (id, sha256, name, source, lab, content, received_at, refusal) "
            "VALUES (1, '', 'plain', '', '', '', ?, '')",
            (NOW.isoformat(),),
        )
        columns, values = ", ".join(OURS), ", ".join(OURS.values())
        return _timed(connection, "result", f"({columns}) VALUES ({values})", file)


def fill_bare_table(file: Path, database: Path) -> float:
    """Seconds for the same cells in a table of the file's columns, without keys and indexes."""
    with closing(sqlite3.connect(database, isolation_level=None)) as connection:
        _prepare(connection)
        columns = ", ".join(f'"{name}"' for name in HEADER)
        connection.execute(f"CREATE TABLE bare (id INTEGER PRIMARY KEY, {columns})")
        marks = ", ".join("?" * len(HEADER))
        return _timed(connection, "bare", f"({columns}) VALUES ({marks})", file)


def _prepare(connection: sqlite3.Connection) -> None:
    for pragma in PRAGMAS:
        connection.execute(f"PRAGMA {pragma}")


def _timed(connection: sqlite3.Connection, table: str, values: str, file: Path) -> float:
    content = file.read_bytes()
    began = time.perf_counter()
    rows = csv.reader(io.StringIO(content.decode(), newline=""))
    next(rows)
    connection.execute("BEGIN IMMEDIATE")
    connection.executemany(f"INSERT INTO {table} {values}", rows)
    connection.execute("COMMIT")
    taken = time.perf_counter() - began
    [stored] = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
    if stored != content.count(b"\n") - 1:
        raise RuntimeError(f"the yardstick stored {stored} rows")
    return taken


BENCHMARKS = [Benchmark("intake", "a laboratory's file, read and stored", run)]
