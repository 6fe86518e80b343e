"""The ticker: in-memory jobs, all state in our own tables.

One process may do everything, or many share the work: evaluators and senders in any number, and
tickers, of which one leads and does what must be done once.

Each job calls one service. Jobs are told to run however late they are (`misfire_grace_time=None`):
the library would otherwise skip a job that is a second late. Ticks missed meanwhile count as one
(`coalesce`), and no job runs beside itself (`max_instances=1`).

A job loads its service when it first runs, so that the first tick does not wait for all of them.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
import time
from collections.abc import Callable, Collection, Coroutine
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from importlib import import_module
from secrets import token_hex
from typing import TYPE_CHECKING, Any, TypeVar

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.interval import IntervalTrigger

from alerts.bootstrap import Parts, system_clock
from alerts.domain import trace
from alerts.domain.errors import ConfigurationError
from alerts.services.operating.job_runs import JobRuns
from alerts.services.operating.leap_watch import LeapWatch

if TYPE_CHECKING:
    from alerts.services.delivery.sending import SendReport
    from alerts.services.results.accept_results import IntakeReport

log = logging.getLogger(__name__)

T = TypeVar("T")

SERVICES = (
    "operating.clock_check",
    "operating.housekeeping",
    "outlooks.follow_weather",
    "results.accept_results",
    "texts.replies",
    "consultants.digest",
    "samplers.sampling",
    "delivery.fallbacks",
    "delivery.receipts",
    "delivery.dispatch",
    "outlooks.evaluate_areas",
)
"""What the jobs run."""


async def run_clock(parts: Parts) -> bool:
    """Whether the clock is believed; every other job holds still while it is not."""
    from alerts.services.operating import clock_check

    return await clock_check.check(parts.sessions, parts.transports, parts.clock)


def _is_held(parts: Parts) -> bool:
    from alerts.services.operating import clock_check

    return clock_check.is_held(parts.sessions, parts.clock())


def run_intake(parts: Parts) -> list[IntakeReport]:
    from alerts.services.results.accept_results import collect

    if _is_held(parts):
        return []
    reports = collect(parts.sessions, parts.source, parts.intake_rules(), parts.clock())
    for report in reports:
        log_report(report)
    return reports


def log_report(report: IntakeReport) -> None:
    with trace.about(document_id=report.document_id):
        _log_report(report)


def _log_report(report: IntakeReport) -> None:
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
    from alerts.services.texts.replies import take_up

    if _is_held(parts):
        return 0
    return take_up(parts.sessions, parts.reply_rules(), parts.clock())


def run_evaluation(parts: Parts) -> int:
    from alerts.evaluators import evaluate_together

    return 0 if _is_held(parts) else evaluate_together(parts)


async def run_sending(parts: Parts) -> SendReport:
    from alerts.services.delivery.dispatch import dispatch_due
    from alerts.services.delivery.sending import SendReport

    if _is_held(parts):
        return SendReport()
    return await dispatch_due(
        parts.sessions, parts.transports, parts.sending_rules(), parts.owner, parts.clock
    )


async def run_receipts(parts: Parts) -> int:
    from alerts.services.delivery.receipts import refresh

    return await refresh(parts.sessions, parts.transports, parts.clock)


def run_fallbacks(parts: Parts) -> int:
    from alerts.services.delivery.fallbacks import queue_fallbacks

    if _is_held(parts):
        return 0
    return queue_fallbacks(parts.sessions, parts.fallback_rules(), parts.clock())


async def run_weather(parts: Parts) -> int:
    from alerts.services.outlooks.follow_weather import refresh_forecasts

    if _is_held(parts):
        return 0
    if parts.weather is None:
        return 0
    return await refresh_forecasts(parts.sessions, parts.weather, parts.clock())


def run_digests(parts: Parts) -> int:
    from alerts.services.consultants.digest import queue_digests
    from alerts.services.samplers.sampling import queue_reminders

    if _is_held(parts):
        return 0
    digests = queue_digests(parts.sessions, parts.digest_rules(), parts.clock())
    return digests + queue_reminders(parts.sessions, parts.sampling_rules(), parts.clock())


def run_housekeeping(parts: Parts) -> None:
    from alerts.services.operating.housekeeping import tidy

    if _is_held(parts):
        return
    rules, kept = parts.intake_rules(), parts.retention_rules()
    for report in tidy(parts.sessions, rules, parts.clock(), kept):
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
    with runs.recorded("clock"):
        await run_clock(parts)
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
    with runs.recorded("fallbacks"):
        instead = run_fallbacks(parts)
    with runs.recorded("digest"):
        digests = run_digests(parts)
    if digests or instead:
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


loading = threading.Lock()
"""Held by whoever loads modules: two threads at it may see one that is half done."""


def load_services() -> None:
    """Load what the jobs run, one thread for all."""
    with loading:
        for name in SERVICES:
            import_module(f"alerts.services.{name}")


class Role(StrEnum):
    """What a process does."""

    WEB = "web"
    TICKER = "ticker"
    EVALUATOR = "evaluator"
    SENDER = "sender"


MOST_PATIENCE_S, APART_MS = 1.0, 20
"""How long what takes long to load waits for the first tick, and the first run of one job after
that of another: all share the processor."""

STANDBY_S = 5
"""How often a ticker that does not lead looks whether it should."""


@dataclass(frozen=True, slots=True)
class Job:
    name: str
    every_s: int
    work: Callable[[], object]


class Ticker:
    """APScheduler with the jobs of a process's roles; `stop` waits for jobs in flight."""

    def __init__(self, parts: Parts, roles: Collection[Role] = tuple(Role)) -> None:
        self._parts = parts
        self._runs = JobRuns(parts.sessions, parts.clock)
        self._loop = LoopThread()
        self._ticks, self._leads = Role.TICKER in roles, False
        self._begun = threading.Event()  # once the first tick was taken
        self._watch = LeapWatch(system_clock, time.monotonic, self._plan_anew)
        self._scheduler = BackgroundScheduler(
            timezone="UTC",
            executors={"default": ThreadPoolExecutor(max_workers=8)},
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        ticks = parts.schedule.ticks
        if self._ticks:
            for job in self._leaders_jobs():
                self._add(job.name, job.every_s, self._as_leader(job))
            self._add("lead", STANDBY_S, self._stand_by)
        # Every process looks at its own clock, and none waits for another to do so.
        look = Job("clock", ticks.clock_s, lambda: self._loop.run(run_clock(parts)))
        self._add(look.name, look.every_s, self._safely(look))
        for role, job in self._workers_jobs():
            if role in roles:
                self._add(job.name, job.every_s, self._safely(job))

    def _add(self, name: str, every_s: int, run: Callable[[], None]) -> None:
        after_ms = APART_MS * len(self._scheduler.get_jobs())
        self._scheduler.add_job(
            run,
            IntervalTrigger(seconds=every_s, timezone="UTC"),
            id=name,
            name=name,
            # The library's own clock is the computer's, whatever the service's clock shows.
            next_run_time=system_clock() + timedelta(milliseconds=after_ms),
        )

    def _safely(self, job: Job) -> Callable[[], None]:
        """The job as it is run: what goes wrong is kept and logged, and the next tick comes."""

        def run() -> None:
            with trace.about(job=job.name, run=token_hex(4)):
                try:
                    with self._runs.recorded(job.name):
                        self.wait_for_first_tick()
                        load_services()
                        job.work()
                except Exception:
                    log.exception("the job %s failed; it runs again at its next tick", job.name)

        return run

    def _as_leader(self, job: Job) -> Callable[[], None]:
        """Only while this process leads, and never a tick that another has taken."""
        run_safely = self._safely(job)

        def run() -> None:
            if not self._parts.leadership.holds():
                return
            owner, every = self._parts.owner, timedelta(seconds=job.every_s)
            try:
                number = self._runs.claim_tick(job.name, owner, system_clock(), every)
            except Exception:
                log.exception("the tick of the job %s could not be taken", job.name)
                return
            if number is not None:
                log.debug("tick %d of %s", number, job.name)
                self._begun.set()
                run_safely()

        return run

    def _stand_by(self) -> None:
        """Take the lead as soon as nobody has it; who takes it over ticks at once."""
        leads, self._leads = self._leads, self._parts.leadership.holds()
        if leads == self._leads:
            return
        log.info("%s %s", self._parts.owner, "leads now" if self._leads else "leads no more")
        if self._leads:
            for job in self._leaders_jobs():
                self._scheduler.modify_job(job.name, next_run_time=system_clock())

    def _leaders_jobs(self) -> list[Job]:
        parts, ticks = self._parts, self._parts.schedule.ticks
        return [
            Job("housekeeping", ticks.housekeeping_s, lambda: run_housekeeping(parts)),
            Job("weather", ticks.weather_s, lambda: self._loop.run(run_weather(parts))),
            Job("intake", ticks.intake_s, lambda: run_intake(parts)),
            Job("replies", ticks.replies_s, lambda: run_replies(parts)),
            Job("digest", ticks.digest_s, lambda: run_digests(parts)),
            Job("fallbacks", ticks.fallbacks_s, lambda: run_fallbacks(parts)),
            Job("receipts", ticks.receipts_s, lambda: self._loop.run(run_receipts(parts))),
        ]

    def _workers_jobs(self) -> list[tuple[Role, Job]]:
        parts, ticks = self._parts, self._parts.schedule.ticks
        send = Job("sending", ticks.sending_s, lambda: self._loop.run(run_sending(parts)))
        look = Job("evaluation", ticks.evaluation_s, lambda: run_evaluation(parts))
        return [(Role.SENDER, send), (Role.EVALUATOR, look)]

    def _plan_anew(self) -> None:
        """Run every job now: the library has planned them by a clock that was set back."""
        for job in self._scheduler.get_jobs():
            job.modify(next_run_time=system_clock())

    def wait_for_first_tick(self) -> None:
        """Where this process leads, for as long as somebody can wait who has much to load."""
        if self._leads:
            self._begun.wait(MOST_PATIENCE_S)

    def start(self) -> None:
        # Known before the first ticks, which come by themselves.
        self._leads = self._ticks and self._parts.leadership.holds()
        self._scheduler.start()
        self._watch.start()

    def stop(self) -> None:
        """Begin nothing new, let what is under way end, and give the lead away."""
        self._parts.stopping.set()
        self._watch.stop()
        self._scheduler.shutdown(wait=True)
        self._parts.leadership.resign()
        self._loop.run(self._parts.aclose())
        self._loop.close()
