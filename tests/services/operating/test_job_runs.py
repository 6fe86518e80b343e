from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from factories import Service
from sqlmodel import Session

from alerts.services.operating.job_runs import JobRuns
from alerts.store import jobs
from alerts.store.session import Sessions


class CountedSessions(Sessions):
    """Counts how often the write lock is taken; ``busy`` gives it to nobody."""

    writes = 0
    busy = False

    @contextmanager
    def write(self) -> Iterator[Session]:
        self.writes += 1
        if self.busy:
            raise OSError("the database is locked")
        with super().write() as session:
            yield session


@pytest.fixture
def counted(service: Service) -> CountedSessions:
    return CountedSessions(service.sessions.engine)


@pytest.fixture
def runs(service: Service, counted: CountedSessions) -> JobRuns:
    return JobRuns(counted, service.clock)


def last(service: Service) -> tuple[float, bool, str]:
    """Seconds since the last recorded end, how it went, and why."""
    with service.sessions.read() as session:
        [run] = jobs.last_runs(session)
    assert run.ended_at is not None
    return (service.clock() - run.ended_at).total_seconds(), run.ok, run.detail


def fail(runs: JobRuns, reason: str) -> None:
    with pytest.raises(ValueError, match=reason), runs.recorded("sending"):
        raise ValueError(reason)


def test_run_is_kept_with_start_and_end(service: Service, runs: JobRuns) -> None:
    with runs.recorded("sending"):
        service.later(seconds=4)
    with service.sessions.read() as session:
        [run] = jobs.last_runs(session)
    assert run.ended_at is not None
    assert (run.ended_at - run.started_at).total_seconds() == 4
    assert (run.name, run.ok, run.detail) == ("sending", True, "")


def test_error_is_kept_as_its_reason_and_raised_again(service: Service, runs: JobRuns) -> None:
    fail(runs, "no such gateway")
    assert last(service) == (0, False, "ValueError: no such gateway")


def test_same_outcome_is_written_down_now_and_then_only(
    service: Service, counted: CountedSessions, runs: JobRuns
) -> None:
    for _ in range(13):  # a minute of ticks each five seconds
        with runs.recorded("sending"):
            pass
        service.later(seconds=5)
    assert counted.writes == 4  # at 0, 20, 40 and 60 seconds
    assert last(service) == (5, True, "")


def test_change_of_outcome_is_written_down_at_once(
    service: Service, counted: CountedSessions, runs: JobRuns
) -> None:
    with runs.recorded("sending"):
        pass
    service.later(seconds=5)
    fail(runs, "busy")
    service.later(seconds=5)
    fail(runs, "gone")
    assert last(service) == (0, False, "ValueError: gone")
    service.later(seconds=5)
    with runs.recorded("sending"):
        pass
    assert counted.writes == 4
    assert last(service) == (0, True, "")


def test_jobs_are_kept_apart(service: Service, counted: CountedSessions, runs: JobRuns) -> None:
    for name in ("sending", "intake"):
        with runs.recorded(name):
            pass
    with service.sessions.read() as session:
        assert [run.name for run in jobs.last_runs(session)] == ["intake", "sending"]


def test_database_that_cannot_be_written_does_not_undo_the_job(
    counted: CountedSessions, runs: JobRuns, caplog: pytest.LogCaptureFixture
) -> None:
    counted.busy = True
    done = []
    with runs.recorded("sending"):
        done.append("sent")
    assert done == ["sent"]
    assert "the run of the job sending could not be written down" in caplog.text


def test_run_after_the_clock_was_set_back_is_kept(service: Service) -> None:
    """Else nothing would be written down until the clock is where it was once more."""
    runs = JobRuns(service.sessions, service.clock)
    with runs.recorded("sending"):
        pass
    now = service.later(days=-365)
    with runs.recorded("sending"):
        pass
    with service.sessions.read() as session:
        [run] = jobs.last_runs(session)
    assert run.ended_at == now
