"""The last run of each job of the scheduler."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlmodel import Session, col, select

from alerts.store.racing import added
from alerts.store.tables import JobRun

BELIEVED_CLOCK = "believed clock"
"""Name of the row that is no job's: see `store.trusted_clock`."""


def put_run(
    session: Session,
    *,
    name: str,
    started_at: datetime,
    ended_at: datetime,
    ok: bool,
    detail: str = "",
) -> None:
    """Keep a run as the job's last one."""
    run = session.get(JobRun, name) or JobRun(name=name, started_at=started_at)
    run.started_at, run.ended_at = started_at, ended_at
    run.ok, run.detail = ok, detail
    session.add(run)


def claim_tick(
    session: Session, *, name: str, owner: str, now: datetime, every: timedelta
) -> int | None:
    """Take a job's tick; returns its number, or None where it was taken already.

    Ticks are numbered one by one, whoever takes them. One taken by a clock that ran ahead since
    corrected does not count.
    """
    if session.get(JobRun, name) is None:
        added(session, JobRun(name=name, started_at=now))
    run = session.get_one(JobRun, name, with_for_update=True, populate_existing=True)
    early, ahead = now - every / 2, now + every
    if run.ticked_at is not None and early < run.ticked_at <= ahead:
        return None
    run.ticked_at, run.owner, run.ticks = now, owner, run.ticks + 1
    session.add(run)
    return run.ticks


def last_runs(session: Session) -> Sequence[JobRun]:
    return session.exec(
        select(JobRun).where(JobRun.name != BELIEVED_CLOCK).order_by(col(JobRun.name))
    ).all()
