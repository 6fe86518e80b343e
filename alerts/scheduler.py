"""The ticker: one process, in-memory jobs, all state in our own tables.

Each job calls one service. Jobs are told to run however late they are (`misfire_grace_time=None`):
the library would otherwise skip a job that is a second late. Ticks missed meanwhile count as one
(`coalesce`), and no job runs beside itself (`max_instances=1`).
"""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, TypeVar

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.interval import IntervalTrigger

from alerts.bootstrap import Parts, system_clock
from alerts.domain.errors import ConfigurationError
from alerts.services.accept_results import IntakeReport, collect
from alerts.services.digest import queue_digests
from alerts.services.dispatch import SendReport, dispatch_due
from alerts.services.evaluate_areas import evaluate_due
from alerts.services.follow_weather import refresh_forecasts
from alerts.services.housekeeping import tidy
from alerts.services.job_runs import JobRuns
from alerts.services.receipts import refresh
from alerts.services.replies import take_up
from alerts.services.sampling import queue_reminders

log = logging.getLogger(__name__)

T = TypeVar("T")


def run_intake(parts: Parts) -> list[IntakeReport]:
    reports = collect(parts.sessions, parts.source, parts.intake_rules(), parts.clock())
    for report in reports:
        log_report(report)
    return reports


def log_report(report: IntakeReport) -> None:
    if report.refusal:
        log.warning("%s could not be read: %s", report.document, report.refusal)
        return
    log.info(
        "%s: %d accepted, %d repeated, %d corrected, %d unmatched, %d rejected",
        report.document,
        report.accepted,
        report.repeated,
        report.corrected,
        report.unmatched,
        len(report.rejected),
    )


def run_replies(parts: Parts) -> int:
    """Texts that came in and were stored, but could not be handled at once."""
    return take_up(parts.sessions, parts.reply_rules(), parts.clock())


def run_evaluation(parts: Parts) -> int:
    return evaluate_due(parts.sessions, parts.evaluation_rules(), parts.owner, parts.clock())


async def run_sending(parts: Parts) -> SendReport:
    return await dispatch_due(
        parts.sessions, parts.transports, parts.sending_rules(), parts.owner, parts.clock
    )


async def run_receipts(parts: Parts) -> int:
    return await refresh(parts.sessions, parts.transports, parts.clock)


async def run_weather(parts: Parts) -> int:
    if parts.weather is None:
        return 0
    return await refresh_forecasts(parts.sessions, parts.weather, parts.clock())


def run_digests(parts: Parts) -> int:
    digests = queue_digests(parts.sessions, parts.digest_rules(), parts.clock())
    return digests + queue_reminders(parts.sessions, parts.sampling_rules(), parts.clock())


def run_housekeeping(parts: Parts) -> None:
    for report in tidy(parts.sessions, parts.intake_rules(), parts.clock()):
        log_report(report)


@dataclass(frozen=True, slots=True)
class RoundReport:
    """What one round did."""

    intake: list[IntakeReport]
    sending: SendReport


async def run_round(parts: Parts) -> RoundReport:
    """Every job once, in the order in which work flows; for a fast clock and `cutcall tick`.

    Texts go out before the digests are written, which say whether they arrived.
    """
    runs = JobRuns(parts.sessions, parts.clock)
    with runs.recorded("housekeeping"):
        run_housekeeping(parts)
    with runs.recorded("weather"):
        await run_weather(parts)
    with runs.recorded("intake"):
        intake = run_intake(parts)
    with runs.recorded("replies"):
        run_replies(parts)
    with runs.recorded("evaluation"):
        run_evaluation(parts)
    with runs.recorded("sending"):
        sending = await run_sending(parts)
    with runs.recorded("receipts"):
        await run_receipts(parts)
    with runs.recorded("digest"):
        digests = run_digests(parts)
    if digests:
        sending = sending + await run_sending(parts)
    return RoundReport(intake, sending)


def open_port(host: str, port: int) -> socket.socket:
    """A socket that listens there; ConfigurationError names the setting when it cannot."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=2048)
    except OSError as error:
        raise ConfigurationError(
            f"CUTCALL_WEB_PORT: cannot listen on port {port} of {host} "
            f"({error.strerror or error}); end what uses it or give another port"
        ) from error


class LoopThread:
    """An event loop of its own thread: transports keep their connections from tick to tick."""

    def __init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="sender", daemon=True)
        self._thread.start()

    def run(self, work: Coroutine[Any, Any, T]) -> T:
        """Run a coroutine on the loop and wait for its result."""
        return asyncio.run_coroutine_threadsafe(work, self._loop).result()

    def close(self) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()


class Ticker:
    """APScheduler with the service's jobs; `stop` waits for jobs in flight."""

    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._runs = JobRuns(parts.sessions, parts.clock)
        self._loop = LoopThread()
        self._scheduler = BackgroundScheduler(
            timezone="UTC",
            executors={"default": ThreadPoolExecutor(max_workers=6)},
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        for name, seconds, work in self._jobs():
            self._scheduler.add_job(
                self._safely(name, work),
                IntervalTrigger(seconds=seconds, timezone="UTC"),
                id=name,
                name=name,
                # The library's own clock is the computer's, whatever the service's clock shows.
                next_run_time=system_clock() + timedelta(milliseconds=100),
            )

    def _safely(self, name: str, work: Callable[[], object]) -> Callable[[], None]:
        """The job as it is run: what goes wrong is kept and logged, and the next tick comes."""

        def run() -> None:
            try:
                with self._runs.recorded(name):
                    work()
            except Exception:
                log.exception("the job %s failed; it runs again at its next tick", name)

        return run

    def _jobs(self) -> list[tuple[str, int, Callable[[], object]]]:
        parts, ticks = self._parts, self._parts.schedule.ticks
        return [
            ("housekeeping", ticks.housekeeping_s, lambda: run_housekeeping(parts)),
            ("weather", ticks.weather_s, lambda: self._loop.run(run_weather(parts))),
            ("intake", ticks.intake_s, lambda: run_intake(parts)),
            ("replies", ticks.replies_s, lambda: run_replies(parts)),
            ("evaluation", ticks.evaluation_s, lambda: run_evaluation(parts)),
            ("digest", ticks.digest_s, lambda: run_digests(parts)),
            ("sending", ticks.sending_s, lambda: self._loop.run(run_sending(parts))),
            ("receipts", ticks.receipts_s, lambda: self._loop.run(run_receipts(parts))),
        ]

    def start(self) -> None:
        self._scheduler.start()

    def stop(self) -> None:
        self._scheduler.shutdown(wait=True)
        self._loop.run(self._parts.aclose())
        self._loop.close()
