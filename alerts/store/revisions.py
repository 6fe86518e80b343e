"""Which revision of our tables a database has, and which one this program works with."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from alerts.store.session import MIGRATIONS


def revision_of(connection: Connection) -> str | None:
    """The revision of a database's tables; None where it holds none of ours."""
    return MigrationContext.configure(connection).get_current_revision()


@cache
def newest() -> str:
    head = ScriptDirectory(str(MIGRATIONS)).get_current_head()
    assert head is not None
    return head


def is_known(revision: str) -> bool:
    script = ScriptDirectory(str(MIGRATIONS))
    return revision in {known.revision for known in script.walk_revisions()}


def _is_there(engine: Engine) -> bool:
    file = engine.url.database
    return file in (None, "", ":memory:") or Path(str(file)).is_file()


def revision_there(engine: Engine) -> tuple[str | None, str]:
    """The revision, or why the database cannot be asked (its own words, on one line)."""
    if engine.dialect.name == "sqlite" and not _is_there(engine):
        return None, ""  # connecting would make the file
    try:
        with engine.connect() as connection:
            return revision_of(connection), ""
    except DBAPIError as error:
        return None, " ".join(str(error.orig).split())
    except SQLAlchemyError as error:
        return None, type(error).__name__
