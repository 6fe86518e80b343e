"""The last run of each job of the scheduler."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session, col, select

from alerts.store.tables import JobRun


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


def last_runs(session: Session) -> Sequence[JobRun]:
    return session.exec(select(JobRun).order_by(col(JobRun.name))).all()
