from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from factories import AREA, Home
from sqlalchemy import inspect, text
from sqlalchemy.exc import IntegrityError
from sqlmodel import SQLModel, select

from alerts.domain.errors import ConfigurationError
from alerts.store import revisions
from alerts.store.session import (
    MIGRATIONS,
    Sessions,
    build_engine,
    downgrade,
    newest_by_name,
    upgrade,
)
from alerts.store.tables import Area, FarmField


def test_upgrade_from_empty_makes_every_table(tmp_path: Path) -> None:
    engine = build_engine(f"sqlite:///{tmp_path / 'new.db'}")
    assert inspect(engine).get_table_names() == []
    upgrade(engine)
    assert set(inspect(engine).get_table_names()) == {
        *SQLModel.metadata.tables,
        "alembic_version",
    }
    engine.dispose()


def test_upgrade_of_an_upgraded_database_keeps_its_rows(sessions: Sessions, home: Home) -> None:
    upgrade(sessions.engine)
    with sessions.read() as session:
        assert session.exec(select(Area.name)).all() == [AREA]


@pytest.mark.changes_tables
def test_downgrade_by_one_and_upgrade_come_back_to_the_same_tables(sessions: Sessions) -> None:
    tables = set(inspect(sessions.engine).get_table_names())
    head = ScriptDirectory(str(MIGRATIONS)).get_current_head()
    downgrade(sessions.engine, "-1")
    with sessions.engine.connect() as connection:
        assert MigrationContext.configure(connection).get_current_revision() != head
    upgrade(sessions.engine)
    with sessions.engine.connect() as connection:
        assert MigrationContext.configure(connection).get_current_revision() == head
    assert set(inspect(sessions.engine).get_table_names()) == tables


def test_migrations_leave_nothing_that_autogenerate_would_change(sessions: Sessions) -> None:
    with sessions.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, SQLModel.metadata) == []


@pytest.mark.changes_tables
def test_autogenerate_comparison_sees_a_missing_column(sessions: Sessions) -> None:
    """The comparison above proves something only if it can fail."""
    with sessions.engine.begin() as connection:
        connection.execute(text("ALTER TABLE area DROP COLUMN lease_owner"))
    with sessions.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        [(what, _, table, column)] = compare_metadata(context, SQLModel.metadata)
    assert (what, table, column.name) == ("add_column", "area", "lease_owner")


@pytest.mark.parametrize("url", ["not an address", "nosuchengine://host/database"])
def test_engine_for_an_unusable_address_names_the_setting(url: str) -> None:
    with pytest.raises(ConfigurationError, match=r"CUTCALL_DATABASE_URL.*sqlite:///"):
        build_engine(url)


def test_write_that_raises_leaves_nothing(sessions: Sessions) -> None:
    with pytest.raises(RuntimeError, match="half way"), sessions.write() as session:
        session.add(Area(name=AREA, time_zone="America/Chicago"))
        session.flush()
        raise RuntimeError("half way")
    with sessions.read() as session:
        assert session.exec(select(Area)).all() == []


def test_read_session_changes_nothing_even_when_a_row_is_touched(
    sessions: Sessions, home: Home
) -> None:
    with sessions.read() as session:
        session.get_one(Area, home.area_id).name = "Elsewhere"
    with sessions.read() as session:
        assert session.get_one(Area, home.area_id).name == AREA


def test_foreign_key_to_nowhere_is_refused(sessions: Sessions, home: Home) -> None:
    with pytest.raises(IntegrityError, match=r"(?i)foreign key"), sessions.write() as session:
        session.add(FarmField(farm_id=home.farm_id + 1, name="South", key="south"))


def test_writers_wait_for_each_other_and_lose_nothing(sessions: Sessions, home: Home) -> None:
    """Each reads, waits and writes; without the lock at BEGIN SQLite fails the second writer.

    PostgreSQL locks no more than the row that is asked for.
    """
    problems: list[Exception] = []

    def count_up() -> None:
        try:
            for _ in range(5):
                with sessions.write() as session:
                    area = session.get_one(Area, home.area_id, with_for_update=True)
                    seen = int(area.lease_owner or 0)
                    time.sleep(0.004)
                    area.lease_owner = str(seen + 1)
        except Exception as problem:
            problems.append(problem)

    workers = [threading.Thread(target=count_up) for _ in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert problems == []
    with sessions.read() as session:
        assert session.get_one(Area, home.area_id).lease_owner == "20"


def test_reader_sees_the_state_before_an_open_write(sessions: Sessions, home: Home) -> None:
    """A reader neither waits for a writer nor sees half of its work."""
    with sessions.write() as writing:
        writing.get_one(Area, home.area_id).name = "Elsewhere"
        writing.flush()
        with sessions.read() as session:
            assert session.get_one(Area, home.area_id).name == AREA
    with sessions.read() as session:
        assert session.get_one(Area, home.area_id).name == "Elsewhere"


def test_newest_revision_is_the_one_the_files_are_named_by() -> None:
    assert newest_by_name() == revisions.newest()
