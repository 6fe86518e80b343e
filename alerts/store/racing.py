"""Adding rows that somebody else may add at the same moment."""

from __future__ import annotations

from sqlalchemy.exc import IntegrityError
from sqlmodel import Session, SQLModel


def added(session: Session, *rows: SQLModel) -> bool:
    """Add rows; False when one with the same unique key is there, and nothing was changed.

    Whoever adds the same key in another transaction is waited for.
    """
    session.flush()  # what waits already must not be rolled back with it
    try:
        with session.begin_nested():
            session.add_all(rows)
            session.flush()
    except IntegrityError:
        return False
    return True
