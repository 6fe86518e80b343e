"""The newest instant at which the service's clock was believed, kept beside the runs of its jobs.

It has a row of its own there: `started_at` is when something was last noted about the clock,
`ended_at` the newest instant believed, `ok` is false while it is doubted.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from alerts.store.jobs import BELIEVED_CLOCK
from alerts.store.tables import JobRun


@dataclass(frozen=True, slots=True)
class Believed:
    """``note`` says what was noticed at ``noted_at``; "" when nothing ever was."""

    at: datetime
    noted_at: datetime
    note: str = ""
    is_believed: bool = True


def believed(session: Session) -> Believed | None:
    """None before the first tick of all."""
    row = session.get(JobRun, BELIEVED_CLOCK)
    if row is None or row.ended_at is None:
        return None
    return Believed(row.ended_at, row.started_at, row.detail, row.ok)


def believe(session: Session, at: datetime, note: str = "") -> None:
    """Take ``at`` as the present; an empty ``note`` leaves the one there is."""
    row = session.get(JobRun, BELIEVED_CLOCK) or JobRun(name=BELIEVED_CLOCK, started_at=at)
    row.ended_at, row.ok = at, True
    if note:
        row.started_at, row.detail = at, note
    session.add(row)


def doubt(session: Session, now: datetime, note: str) -> None:
    """Note why the clock is not believed; the newest instant believed stays."""
    row = session.get_one(JobRun, BELIEVED_CLOCK)
    row.started_at, row.ok, row.detail = now, False, note
    session.add(row)
