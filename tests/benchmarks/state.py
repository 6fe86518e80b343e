"""A whole state's growers in a database: areas, farms, fields, people and their results.

Invented, and the same for the same numbers. It is put in by bulk inserts as the service would have
left it: all areas due, most farms weeks from their start, a few about to be told.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import islice
from pathlib import Path

from databases import own_server
from factories import build_settings
from sqlalchemy import Connection, insert
from sqlmodel import SQLModel

from alerts.bootstrap import Parts, build_parts
from alerts.domain.names import name_key
from alerts.store.tables import (
    Area,
    Consent,
    Document,
    Farm,
    FarmField,
    LabResult,
    Person,
)

TODAY = date(2027, 5, 10)
NOW = datetime(2027, 5, 10, 11, 5, tzinfo=UTC)  # 06:05 of that morning in Chicago
LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)  # when nothing was due
FIELDS_OF_AREA, FIELDS_OF_FARM, RESULTS_OF_FIELD = 50, 5, 8
SOONEST_SHARE = 0.02
"""Of farms whose start date comes inside their notice this morning."""

ROWS_AT_A_TIME = 20_000


@dataclass(frozen=True, slots=True)
class Extent:
    """How many areas; fifty fields each on ten farms, eight results a field."""

    areas: int

    @property
    def farms(self) -> int:
        return self.areas * FIELDS_OF_AREA // FIELDS_OF_FARM

    @property
    def fields(self) -> int:
        return self.areas * FIELDS_OF_AREA

    @property
    def results(self) -> int:
        return self.fields * RESULTS_OF_FIELD


@contextmanager
def service(engine: str, folder: Path) -> Iterator[Parts]:
    """The service on an empty database of an engine, by the clock of that morning."""
    with ExitStack() as stack:
        url = f"sqlite:///{folder / 'cutcall.db'}"
        if engine == "postgresql":
            url = stack.enter_context(own_server(folder))
        parts = open_service(url, folder)
        stack.callback(parts.sessions.close)
        yield parts


def open_service(url: str, folder: Path, evaluators: int = 1) -> Parts:
    return build_parts(build_settings(url, folder, evaluators=evaluators), clock=that_morning)


def that_morning() -> datetime:
    return NOW


def warm_up(parts: Parts) -> None:
    """Load what a process loads once, which is no part of its work."""
    from alerts.services.outlooks import evaluate_areas

    evaluate_areas.evaluate_due(
        parts.sessions, parts.evaluation_rules(), "nobody", lambda: LONG_AGO
    )


def fill(parts: Parts, extent: Extent) -> None:
    """Put everything in; ids run from 1 in every table."""
    with parts.sessions.write() as session:
        connection = session.connection()
        for table, rows in (
            (Area, _areas(extent)),
            (Person, _people(extent)),
            (Consent, _consents(extent)),
            (Farm, _farms(extent)),
            (FarmField, _fields(extent)),
            (Document, [_document()]),
            (LabResult, _results(extent)),
        ):
            _insert(connection, table, rows)
        if connection.dialect.name == "postgresql":
            for table in ("area", "person", "consent", "farm", "field", "document", "result"):
                connection.exec_driver_sql(
                    f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), "
                    f"(SELECT max(id) FROM {table}))"
                )
    settle(parts)


def settle(parts: Parts) -> None:
    """What a database server does by itself between two mornings: room, and counts of rows."""
    words = "VACUUM (ANALYZE)" if parts.sessions.engine.dialect.name == "postgresql" else "ANALYZE"
    with parts.sessions.engine.connect() as connection:
        connection.execution_options(isolation_level="AUTOCOMMIT").exec_driver_sql(words)


def _insert(
    connection: Connection, table: type[SQLModel], rows: Iterable[dict[str, object]]
) -> None:
    rows = iter(rows)
    while some := list(islice(rows, ROWS_AT_A_TIME)):
        connection.execute(insert(table), some)


def phone(farm: int) -> str:
    """555-0100 to 555-0199 of area codes that count up: numbers that belong to nobody."""
    code, line = divmod(farm, 100)
    return f"+1{201 + code % 799}5550{100 + line}" + ("" if code < 799 else f"{code // 799}")


def _areas(extent: Extent) -> Iterator[dict[str, object]]:
    for number in range(1, extent.areas + 1):
        yield {
            "id": number,
            "name": f"Heron Flats {number}",
            "time_zone": "America/Chicago",
            "due_at": NOW - timedelta(minutes=5),
        }


def _people(extent: Extent) -> Iterator[dict[str, object]]:
    for number in range(1, extent.farms + 1):
        yield {"id": number, "name": f"Ada Lindqvist {number}", "phone": phone(number)}


def _consents(extent: Extent) -> Iterator[dict[str, object]]:
    for number in range(1, extent.farms + 1):
        yield {
            "id": number,
            "person_id": number,
            "channel": "sms",
            "address": phone(number),
            "given_on": date(2027, 3, 20),
            "how": "signed form",
            "recorded_at": NOW - timedelta(days=50),
        }


def _farms(extent: Extent) -> Iterator[dict[str, object]]:
    chance = random.Random(1)
    of_area = FIELDS_OF_AREA // FIELDS_OF_FARM
    for number in range(1, extent.farms + 1):
        soon = chance.random() < SOONEST_SHARE
        yield {
            "id": number,
            "area_id": 1 + (number - 1) // of_area,
            "name": f"Plum Bottom {number}",
            "key": name_key(f"Plum Bottom {number}"),
            "farmer_id": number,
            "animal_class": "milking_cows",
            "index": "rfv",
            "feed_target": 160.0 if soon else 95.0 + chance.randrange(20),
            "handling_loss": 25.0,
            "harvest_method": "haylage",
            "harvest_days": 3.0,
            "which_load": "last",
            "notice_days": 5,
            "send_from": time(7),
            "send_to": time(20),
        }


def _fields(extent: Extent) -> Iterator[dict[str, object]]:
    chance = random.Random(2)
    for number in range(1, extent.fields + 1):
        yield {
            "id": number,
            "farm_id": 1 + (number - 1) // FIELDS_OF_FARM,
            "name": f"North {number}",
            "key": name_key(f"North {number}"),
            "acres": 10.0 + chance.randrange(40),
            "grass_pct": float(chance.choice([0, 0, 10, 30])),
        }


def _document() -> dict[str, object]:
    return {
        "id": 1,
        "sha256": "0" * 64,
        "name": "spring.csv",
        "source": "folder",
        "content": b"invented",
        "received_at": NOW,
        "read_at": NOW,
    }


def _results(extent: Extent) -> Iterator[dict[str, object]]:
    """Two clips a week for four weeks, falling four points a day from about 290."""
    chance = random.Random(3)
    number = 0
    for area in range(extent.areas):
        level = chance.gauss(0, 8)
        for field in range(area * FIELDS_OF_AREA + 1, (area + 1) * FIELDS_OF_AREA + 1):
            own = level + chance.gauss(0, 6)
            for visit in range(RESULTS_OF_FIELD):
                number += 1
                before = 3.5 * (RESULTS_OF_FIELD - visit) - 2.5
                rfv = round(210 + 4 * before + own + chance.gauss(0, 8), 1)
                yield {
                    "id": number,
                    "identity": f"kestrel {number}",
                    "document_id": 1,
                    "row": number,
                    "farm_label": "Plum Bottom",
                    "field_label": "North",
                    "field_id": field,
                    "cutting": 1,
                    "lab": "kestrel",
                    "lab_number": f"K-{number}",
                    "method": "nir",
                    "sampled_on": TODAY - timedelta(days=round(before)),
                    "readings": {},
                    "rfv": rfv,
                    "computed_rfv": rfv,
                    "received_at": NOW,
                }
