"""Keeping when each job ran last and how it went, so that an operator sees a standstill."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta

from alerts.domain import trace
from alerts.store import jobs
from alerts.store.session import Sessions

log = logging.getLogger(__name__)

KEPT_EVERY = timedelta(seconds=20)
"""How often the same outcome of a job is written down: each record takes the write lock."""

LONGEST_DETAIL = 300


@dataclass(frozen=True, slots=True)
class _Kept:
    at: datetime
    outcome: tuple[bool, str]


class JobRuns:
    """Writes down the runs of jobs; several may run at once, on threads of their own."""

    def __init__(self, sessions: Sessions, clock: Callable[[], datetime]) -> None:
        self._sessions = sessions
        self._clock = clock
        self._kept: dict[str, _Kept] = {}
        self._lock = threading.Lock()

    @contextmanager
    def recorded(self, name: str) -> Iterator[None]:
        """Keep how what is done inside went; an error is kept as its reason and raised again."""
        started = self._clock()
        try:
            with trace.about(job=name):
                yield
        except Exception as error:
            self._keep(name, started, ok=False, detail=f"{type(error).__name__}: {error}")
            raise
        self._keep(name, started, ok=True, detail="")

    def claim_tick(self, name: str, owner: str, now: datetime, every: timedelta) -> int | None:
        """The number of this tick of a job; None where another process has taken it."""
        with self._sessions.write_beside() as session:
            return jobs.claim_tick(session, name=name, owner=owner, now=now, every=every)

    def _keep(self, name: str, started: datetime, *, ok: bool, detail: str) -> None:
        ended, said = self._clock(), detail[:LONGEST_DETAIL]
        if not self._is_news(name, _Kept(ended, (ok, said))):
            return
        try:
            with self._sessions.write() as session:
                jobs.put_run(
                    session, name=name, started_at=started, ended_at=ended, ok=ok, detail=said
                )
        except Exception:
            # The job itself is done; a database that is busy or gone must not undo that.
            log.exception("the run of the job %s could not be written down", name)

    def _is_news(self, name: str, run: _Kept) -> bool:
        with self._lock:
            last = self._kept.get(name)
            # A clock that was set back: what is kept lies ahead, and says nothing any more.
            since = None if last is None else run.at - last.at
            is_same = last is not None and last.outcome == run.outcome
            if is_same and since is not None and timedelta() <= since < KEPT_EVERY:
                return False
            self._kept[name] = run
            return True
