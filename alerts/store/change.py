"""Whether anything in the database changed, without reading any of it."""

from __future__ import annotations

import threading
from typing import Any

from sqlalchemy import Engine, text


class ChangeMark:
    """Gives a mark that is another one once anybody has committed a change.

    Whoever reads after asking for the mark sees at least what it stands for.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._lock = threading.Lock()
        self._watching: Any = None  # an SQLite connection that changes nothing
        self._opened = 0  # each counts for itself

    def now(self) -> str:
        if self._engine.dialect.name == "sqlite":
            return self._data_version()
        with self._engine.connect() as connection:
            # A transaction that wrote leaves those under way when it commits.
            return str(connection.execute(text("SELECT pg_current_snapshot()::text")).scalar_one())

    def close(self) -> None:
        with self._lock:
            if self._watching is not None:
                self._watching.close()
                self._watching = None

    def _data_version(self) -> str:
        """It tells of what other connections committed, so this one must never be lent out:
        https://www.sqlite.org/pragma.html#pragma_data_version."""
        with self._lock:
            if self._watching is None:
                borrowed = self._engine.raw_connection()
                self._watching = borrowed.driver_connection
                borrowed.detach()
                self._opened += 1
            [version] = self._watching.execute("PRAGMA data_version").fetchone()
            return f"{self._opened}.{version}"
