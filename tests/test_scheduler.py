"""The ticker on the computer's clock, and what it writes down of its jobs."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from dataclasses import replace

import pytest
from factories import Service
from fakes import FakeSource

from alerts.bootstrap import Parts
from alerts.intake.base import Source
from alerts.scheduler import Ticker, run_round
from alerts.store import jobs
from alerts.store.tables import JobRun

PATIENCE_S = 30.0
JOBS = {
    *("clock", "housekeeping", "weather", "intake", "replies", "evaluation"),
    *("digest", "sending", "receipts", "fallbacks"),
}


class BrokenSource(FakeSource):
    """An inbox whose reading meets a bug."""

    def waiting(self) -> object:  # type: ignore[override]
        raise RuntimeError("a bug in the reader")


def wait_until(happened: Callable[[], bool]) -> None:
    until = time.monotonic() + PATIENCE_S
    while not happened():
        assert time.monotonic() < until, f"nothing within {PATIENCE_S:.0f} s"
        time.sleep(0.05)


def fast(parts: Parts, source: Source) -> Parts:
    ticks = parts.schedule.ticks.model_copy(update={"intake_s": 1, "sending_s": 1})
    return replace(
        parts, schedule=parts.schedule.model_copy(update={"ticks": ticks}), source=source
    )


def runs(service: Service) -> dict[str, JobRun]:
    with service.sessions.read() as session:
        return {run.name: run for run in jobs.last_runs(session)}


def test_failing_job_is_written_down_and_stops_nothing(
    service: Service, caplog: pytest.LogCaptureFixture
) -> None:
    ticker = Ticker(fast(service.parts, BrokenSource()))
    ticker.start()
    try:
        wait_until(lambda: set(runs(service)) == JOBS)
        wait_until(lambda: caplog.text.count("the job intake failed") >= 2)
    finally:
        ticker.stop()
    kept = runs(service)
    assert (kept["intake"].ok, kept["intake"].detail) == (
        False,
        "RuntimeError: a bug in the reader",
    )
    assert all(run.ok for name, run in kept.items() if name != "intake")


def test_round_writes_down_every_job(service: Service) -> None:
    asyncio.run(run_round(service.parts))
    kept = runs(service)
    assert set(kept) == JOBS
    assert all(run.ok and run.ended_at == service.clock() for run in kept.values())


def test_round_ends_with_its_first_error(service: Service) -> None:
    with pytest.raises(RuntimeError, match="a bug in the reader"):
        asyncio.run(run_round(replace(service.parts, source=BrokenSource())))
    assert not runs(service)["intake"].ok
