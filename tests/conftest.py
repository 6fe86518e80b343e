"""What the tests of store and services share: a fresh database each, and the service around it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

# pytest's importlib mode puts nothing on the path; builders and fakes are modules of their own.
sys.path.insert(0, str(Path(__file__).parent))

from databases import Database, open_database
from factories import NOON, ZONE, Home, Service, build_settings, put_home
from fakes import FakeSource, FakeTransport, SettableClock
from two_engines import new_database, postgres_server

from alerts.bootstrap import Parts
from alerts.configfiles import (
    Schedule,
    read_guidelines,
    read_schedule,
    shipped_config_dir,
)
from alerts.domain.guidelines import GuidelineSet
from alerts.intake.labmap import LabMap, load_lab_maps
from alerts.messages.templates import Templates
from alerts.settings import Settings
from alerts.store.leadership import Alone
from alerts.store.session import Sessions
from alerts.transports.base import Channel

CONFIG = shipped_config_dir()

__all__ = ["new_database", "postgres_server"]  # fixtures, for tests that need both engines


@pytest.fixture(scope="session")
def guidelines() -> GuidelineSet:
    return read_guidelines(CONFIG / "guidelines.toml")


@pytest.fixture(scope="session")
def schedule() -> Schedule:
    return read_schedule(CONFIG / "schedule.toml")


@pytest.fixture(scope="session")
def templates() -> Templates:
    return Templates([CONFIG])


@pytest.fixture(scope="session")
def shipped_lab_maps() -> tuple[LabMap, ...]:
    return tuple(load_lab_maps(CONFIG / "labs"))


@pytest.fixture(scope="session")
def database(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    with open_database(tmp_path_factory.mktemp("database")) as opened:
        yield opened


@pytest.fixture
def database_url(database: Database, request: pytest.FixtureRequest) -> Iterator[str]:
    """A fresh database of this test's own."""
    on_sqlite = database.engine.dialect.name == "sqlite"
    if request.node.get_closest_marker("sqlite_only") and not on_sqlite:
        pytest.skip("about SQLite itself")
    database.renew()
    yield database.url
    if request.node.get_closest_marker("changes_tables"):
        database.rebuild()


@pytest.fixture
def sessions(database: Database, database_url: str) -> Sessions:
    return Sessions(database.engine)


@pytest.fixture
def home(sessions: Sessions) -> Home:
    """One farm with one field, straight in the tables."""
    return put_home(sessions)


@pytest.fixture
def clock() -> SettableClock:
    """Noon of the sampling day, until a test sets it."""
    return SettableClock(NOON, ZONE)


@pytest.fixture
def settings(database_url: str, tmp_path: Path) -> Settings:
    return build_settings(database_url, tmp_path)


@pytest.fixture
def service(
    sessions: Sessions,
    clock: SettableClock,
    settings: Settings,
    guidelines: GuidelineSet,
    schedule: Schedule,
    templates: Templates,
    shipped_lab_maps: tuple[LabMap, ...],
) -> Service:
    """The service as bootstrap wires it, with fakes at its edges."""
    sms = FakeTransport(Channel.SMS)
    mail = FakeTransport(Channel.EMAIL, repeatable=True)
    source = FakeSource()
    parts = Parts(
        settings=settings,
        schedule=schedule,
        guidelines=guidelines,
        templates=templates,
        lab_maps=shipped_lab_maps,
        sessions=sessions,
        clock=clock,
        source=source,
        transports={Channel.SMS: sms, Channel.EMAIL: mail},
        leadership=Alone(),
        owner="tests",
        jitter=lambda: 0.5,
    )
    return Service(parts, clock, sms, mail, source)
