"""Whether a process can work: its database answers, and has the tables this program works with."""

from __future__ import annotations

from alerts.store import revisions
from alerts.store.session import Sessions


def obstacle(sessions: Sessions) -> str:
    """What stands against it, as half a sentence; "" where nothing does.

    For everybody to read, so it names no address and repeats no words of the database.
    """
    found, error = revisions.revision_there(sessions.engine)
    if error:
        return "the database does not answer"
    known = revisions.newest()
    if found is None:
        return "the database has no tables yet"
    if found != known:
        return f"the database has the tables of revision {found}, this program needs {known}"
    return ""
