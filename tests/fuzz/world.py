"""The service as bootstrap wires it, over a database that can be put back to where it began."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import time
from pathlib import Path

import httpx
from advisers import JO, PER, page_of, settle_in
from databases import Database, open_database
from factories import NOON, ZONE, Service, build_settings, day
from fakes import FakeSource, FakeTransport, SettableClock
from fastapi import FastAPI
from fuzz.material import CONFIG
from sqlalchemy import text
from sqlmodel import select

from alerts.bootstrap import Parts
from alerts.configfiles import read_guidelines, read_schedule
from alerts.intake.labmap import load_lab_maps
from alerts.messages.templates import Templates
from alerts.services.access.links import Role, link_path
from alerts.store.leadership import Alone
from alerts.store.session import Sessions
from alerts.store.tables import Farm, FarmField, LabResult, OutboxMessage
from alerts.transports.base import Channel
from alerts.web.app import build_app

PUBLIC = "https://cutcall.example.org"
KEY = "key-of-the-gateway"
KEPT = ("farm", "field", "person", "cut", "result", "opt_out", "area", "farm_outlook")
"""Tables that a refused request leaves as they are."""


@dataclass(slots=True)
class World:
    """A spring under way, and its application."""

    service: Service
    database: Database
    app: FastAPI
    client: httpx.AsyncClient
    runner: asyncio.Runner
    beginning: Path | None  # copy of the database; None where it cannot be put back
    ids: dict[str, str]
    links: dict[Role, str]  # tokens

    def restore(self) -> None:
        """Back to where it began, so that an example means the same whenever it is tried."""
        if self.beginning is None:
            return
        path = Path(self.service.parts.settings.database_url.removeprefix("sqlite:///"))
        self.database.renew()
        shutil.copyfile(self.beginning, path)

    def keep(self) -> None:
        """Let what is there now be the beginning."""
        if self.beginning is not None:
            self.beginning = _copy(self.database, self.beginning.parent)

    def ask(self, method: str, path: str, **how: object) -> httpx.Response:
        """Send a request in; raises whatever the application itself cannot answer."""
        return self.runner.run(self.client.request(method, path, **how))  # type: ignore[arg-type]

    def kept(self) -> dict[str, list[tuple[object, ...]]]:
        """Rows of what a refused request must not change."""
        with self.database.engine.connect() as connection:
            return {
                table: [tuple(row) for row in connection.execute(text(f'SELECT * FROM "{table}"'))]
                for table in self.tables()
            }

    def tables(self) -> tuple[str, ...]:
        from sqlmodel import SQLModel

        return tuple(name for name in KEPT if name in SQLModel.metadata.tables)


@contextmanager
def opened_world(folder: Path) -> Iterator[World]:
    with open_database(folder) as database:
        database.renew()
        service = _service(database, folder)
        ids, links = _spring(service)
        app = build_app(service.parts)
        transport = httpx.ASGITransport(app=app)
        with asyncio.Runner() as runner:
            client = httpx.AsyncClient(transport=transport, base_url=PUBLIC)
            yield World(service, database, app, client, runner, _copy(database, folder), ids, links)
            runner.run(client.aclose())


def _copy(database: Database, folder: Path) -> Path | None:
    if database.engine.dialect.name != "sqlite":
        return None
    database.engine.dispose()  # the last connection writes its log back into the file
    beginning = folder / "beginning.db"
    shutil.copyfile(database.url.removeprefix("sqlite:///"), beginning)
    return beginning


def _service(database: Database, folder: Path) -> Service:
    clock = SettableClock(NOON, ZONE)
    sms, mail = FakeTransport(Channel.SMS), FakeTransport(Channel.EMAIL, repeatable=True)
    source = FakeSource()
    settings = build_settings(
        database.url, folder, intake_max_mib=1, sms_webhook_secret=KEY, sms_answers_keywords=False
    )
    parts = Parts(
        settings=settings,
        schedule=read_schedule(CONFIG / "schedule.toml"),
        guidelines=read_guidelines(CONFIG / "guidelines.toml"),
        templates=Templates([CONFIG]),
        lab_maps=load_lab_maps(CONFIG / "labs"),
        sessions=Sessions(database.engine),
        clock=clock,
        source=source,
        transports={Channel.SMS: sms, Channel.EMAIL: mail},
        leadership=Alone(),
        owner="fuzz",
        jitter=lambda: 0.5,
    )
    return Service(parts, clock, sms, mail, source)


def _spring(service: Service) -> tuple[dict[str, str], dict[Role, str]]:
    """Farms with outlooks and messages sent; some ids, and tokens of every kind of page."""
    settle_in(service)
    service.results({"field": "Nobody's", "rfv": 180, "lab_number": "K-7"}, {"rfv": 9999})
    service.clock.set(day(1), time(7, 5))
    service.evaluate()
    service.send()
    with service.sessions.write() as session:
        farm = session.exec(select(Farm).where(Farm.name == "Plum Bottom")).one()
        field = session.exec(select(FarmField).where(FarmField.farm_id == farm.id)).one()
        result = session.exec(select(LabResult).where(LabResult.field_id == field.id)).first()
        message = session.exec(select(OutboxMessage)).first()
        assert result is not None
        assert message is not None
        field.public_name = "Site 1"
        session.add(field)
        ids = {
            "farm_id": str(farm.id),
            "field_id": str(field.id),
            "message_id": str(message.id),
            "result_id": str(result.id),
            "document_id": "1",
            "name": f"{field.id}.svg",
            "slug": "heron-flats",
        }
        rules, now = service.parts.link_rules(), service.clock()
        farms = link_path(
            session, rules, Role.FARM, person_id=farm.farmer_id, farm_id=farm.id, now=now
        )
        operators = link_path(session, rules, Role.OPERATOR, now=now)
    links = {
        Role.FARM: farms,
        Role.OPERATOR: operators,
        Role.CONSULTANT: page_of(service, Role.CONSULTANT, PER),
        Role.SAMPLER: page_of(service, Role.SAMPLER, JO),
    }
    return ids, {role: path.rpartition("/")[2] for role, path in links.items()}
