"""New databases on either engine, for tests that need both whatever engine the others run on.

The PostgreSQL server is started when the first test asks, and shared by the tests of a process.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from itertools import count
from pathlib import Path

import pytest
from databases import SERVER, own_server
from sqlalchemy import make_url, text

from alerts.store.session import build_engine

SQLITE, POSTGRES = "sqlite", "postgresql"
BOTH = (SQLITE, POSTGRES)

NewDatabase = Callable[[str], str]
"""Makes a database of an engine, with nothing in it, and returns its address."""

_numbers = count(1)


@pytest.fixture(scope="session")
def postgres_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a database on a server on which more can be made."""
    with ExitStack() as stack:
        folder = tmp_path_factory.mktemp("server")
        yield os.environ.get(SERVER) or stack.enter_context(own_server(folder))


@pytest.fixture
def new_database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[NewDatabase]:
    made: list[str] = []

    def new(kind: str) -> str:
        name = f"cutcall_copy_{os.getpid()}_{next(_numbers)}"
        if kind == SQLITE:
            return f"sqlite:///{tmp_path / name}.db"
        server = request.getfixturevalue("postgres_server")
        _administer(server, f"CREATE DATABASE {name}")
        made.append(name)
        return make_url(server).set(database=name).render_as_string(hide_password=False)

    yield new
    for name in made:
        server = request.getfixturevalue("postgres_server")
        _administer(server, f"DROP DATABASE {name} WITH (FORCE)")


def _administer(server: str, statement: str) -> None:
    engine = build_engine(server).execution_options(isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(statement))
    engine.dispose()
