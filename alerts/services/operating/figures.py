"""What a monitoring system is told about the whole service, whichever process it asks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from alerts.services.operating.clock_check import clock_state
from alerts.store import figures, gateways, jobs
from alerts.store.figures import Waiting
from alerts.store.session import Sessions


@dataclass(frozen=True, slots=True)
class Backlog:
    """So many wait, the longest for so long; no time at all where nothing waits."""

    number: int = 0
    longest: timedelta = timedelta()


@dataclass(frozen=True, slots=True)
class JobFigures:
    name: str
    ended_at: datetime | None
    ok: bool
    ticks: int  # claimed in all; of jobs that one process leads


@dataclass(frozen=True, slots=True)
class GatewayFigures:
    channel: str
    rests: bool  # nothing is sent since it fails
    failures: int  # in a row
    reason: str  # what it said; "" while it works


@dataclass(frozen=True, slots=True)
class Figures:
    messages: Mapping[tuple[str, str], int]  # by (channel, state)
    queue: Mapping[str, Backlog]  # by channel: what might leave by now
    dead_letters: int
    evaluation: Backlog  # areas
    unmatched: int  # results
    rejected: int  # rows
    unread: int  # documents
    texts_in: Backlog
    jobs: tuple[JobFigures, ...]
    gateways: tuple[GatewayFigures, ...]
    clock_held: bool


def take_figures(sessions: Sessions, now: datetime) -> Figures:
    """Everything at this moment, in one reading."""
    with sessions.read() as session:
        return Figures(
            messages=figures.messages(session),
            queue={
                channel: _backlog(waiting, now)
                for channel, waiting in figures.queue(session, now).items()
            },
            dead_letters=figures.dead_letters(session),
            evaluation=_backlog(figures.areas_due(session, now), now),
            unmatched=figures.unmatched_results(session),
            rejected=figures.rejected_rows(session),
            unread=figures.unread_documents(session),
            texts_in=_backlog(figures.texts_waiting(session), now),
            jobs=tuple(
                JobFigures(run.name, run.ended_at, run.ok, run.ticks)
                for run in jobs.last_runs(session)
            ),
            gateways=tuple(
                GatewayFigures(row.channel, row.failing_since is not None, row.failures, row.reason)
                for row in gateways.all_gateways(session)
            ),
            clock_held=clock_state(session, now).held,
        )


def _backlog(waiting: Waiting, now: datetime) -> Backlog:
    longest = timedelta() if waiting.since is None else max(timedelta(), now - waiting.since)
    return Backlog(waiting.number, longest)
