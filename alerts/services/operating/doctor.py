"""Looking the service over: settings, database, disk, gateways, clock, work, and what to mend.

Nothing is sent and nothing is changed. Bounds of time and space are our judgement.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from pathlib import Path

from alerts.domain.errors import TransportError
from alerts.services.operating import readiness
from alerts.services.operating.clock_check import clock_state
from alerts.services.operating.desk import JobLine, job_lines
from alerts.services.operating.figures import Figures, take_figures
from alerts.settings import Environment, Settings
from alerts.store.session import Sessions
from alerts.transports.base import Channel, Transport

MIB = 1024 * 1024
TOO_FULL, RATHER_FULL = 200 * MIB, 1024 * MIB
QUEUE_WAITS = timedelta(minutes=15)
AREAS_WAIT = timedelta(hours=1)
TEXTS_WAIT = timedelta(minutes=15)
CLOCK_OFF, CLOCK_WRONG = timedelta(seconds=90), timedelta(minutes=10)
NAMES = {Channel.SMS: "text gateway", Channel.EMAIL: "mail server"}


class State(StrEnum):
    FINE = "fine"
    LOOK = "look at"
    WRONG = "wrong"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at; ``fix`` says what to do where it is not fine."""

    about: str
    state: State
    said: str
    fix: str = ""


@dataclass(frozen=True, slots=True)
class Subject:
    """What is looked over; ``ticks`` gives the seconds between ticks of each job, by its name."""

    settings: Settings
    sessions: Sessions
    transports: Mapping[Channel, Transport]
    ticks: Mapping[str, int]
    clock: Callable[[], datetime]


async def examine(subject: Subject, *, quick: bool = False) -> list[Finding]:
    """All findings, in the order in which they are best mended.

    ``quick`` asks no gateway and waits for no lock: settings, database and disk alone.
    """
    found = [*_settings(subject.settings), *_disk(subject.settings, subject.sessions)]
    database = _database(subject.sessions)
    found.append(database)
    if quick:
        return found
    found.append(_inbox(subject.settings.inbox_dir))
    for transport in subject.transports.values():
        found += await _far_side(transport, subject.clock)
    if database.state is State.FINE:
        found += _work(subject)
    return found


def is_well(found: Iterable[Finding]) -> bool:
    """Whether nothing is wrong; what is to be looked at does not count."""
    return all(finding.state is not State.WRONG for finding in found)


# ----------------------------------------------------------------------- settings


def _settings(settings: Settings) -> Iterator[Finding]:
    said = list(_doubts(settings))
    for what, fix in said:
        yield Finding("settings", State.LOOK, what, fix)
    if not said:
        yield Finding("settings", State.FINE, f"complete for {settings.environment.value}")


def _doubts(settings: Settings) -> Iterator[tuple[str, str]]:
    """What is allowed and still rarely meant, with what to do."""
    in_production = settings.environment is Environment.PRODUCTION
    if settings.sms == "console" and in_production:
        yield "texts are shown on the terminal, not sent", "set CUTCALL_SMS=rest and its settings"
    if settings.email == "console" and in_production:
        yield "emails are shown on the terminal, not sent", "set CUTCALL_EMAIL=smtp"
    if settings.sms == "rest" and not settings.sms_webhook_secret.get_secret_value():
        yield (
            "texts that people send back are not taken, and receipts are asked for one by one",
            "set CUTCALL_SMS_WEBHOOK_SECRET, and the address at the gateway",
        )
    if in_production and not settings.public_url:
        yield "messages hold no links to pages", "set CUTCALL_PUBLIC_URL"
    if settings.email == "smtp" and settings.email_from.endswith("@example.org"):
        yield f"emails come from {settings.email_from}", "set CUTCALL_EMAIL_FROM to your own"


# --------------------------------------------------------------- database and disk


def _database(sessions: Sessions) -> Finding:
    engine = sessions.engine.dialect.name
    reason = readiness.obstacle(sessions)
    if not reason:
        return Finding("database", State.FINE, f"{engine} answers, its tables are the newest")
    said, fix = reason, "start its server, or check CUTCALL_DATABASE_URL"
    if "tables" in reason:
        fix = "run 'cutcall check', or start the service: both bring the tables up to date"
    return Finding("database", State.WRONG, said, fix)


def _disk(settings: Settings, sessions: Sessions) -> Iterator[Finding]:
    folders = [_there(settings.inbox_dir)]
    url = sessions.engine.url
    if sessions.engine.dialect.name == "sqlite" and url.database:
        folders.append(_there(Path(url.database).parent))
    disks = {folder.stat().st_dev: folder for folder in folders}
    for folder in disks.values():
        free = shutil.disk_usage(folder).free
        said = f"{free // MIB:,} MiB free at {folder}"
        if free < TOO_FULL:
            yield Finding("disk", State.WRONG, said, "free the disk: nothing can be stored soon")
        elif free < RATHER_FULL:
            yield Finding("disk", State.LOOK, said, "free the disk before it is full")
        else:
            yield Finding("disk", State.FINE, said)


def _there(folder: Path) -> Path:
    """The folder, or the nearest one above it that is there."""
    whole = folder.resolve()
    return next(one for one in (whole, *whole.parents) if one.is_dir())


def _inbox(folder: Path) -> Finding:
    if not folder.is_dir():
        fix = "start the ticker, which makes it, or set CUTCALL_INBOX_DIR"
        return Finding("inbox", State.LOOK, f"there is no folder {folder}", fix)
    if not os.access(folder, os.R_OK | os.W_OK | os.X_OK):
        fix = "give this user the right to read and write there"
        return Finding("inbox", State.WRONG, f"{folder} cannot be read and written", fix)
    return Finding("inbox", State.FINE, f"{folder} can be read and written")


# ------------------------------------------------------------- gateways and clock


async def _far_side(transport: Transport, clock: Callable[[], datetime]) -> list[Finding]:
    name = NAMES[transport.channel]
    if transport.name == "console":
        return [Finding(name, State.FINE, "none: messages are shown on the terminal")]
    try:
        await transport.log_in()
        there = await transport.time_there()
    except TransportError as error:
        said, _, fix = str(error).partition("; ")
        return [Finding(name, State.WRONG, said, fix.rstrip("."))]
    found = [Finding(name, State.FINE, "answers and takes our credentials; nothing was sent")]
    if there is not None:
        found.append(_clock_beside(clock() - there))
    return found


def _clock_beside(ahead: timedelta) -> Finding:
    off = abs(ahead)
    if off < CLOCK_OFF:
        return Finding("clock", State.FINE, "agrees with the gateway's")
    way = "ahead of" if ahead > timedelta() else "behind"
    said = f"{off.total_seconds():.0f} s {way} the gateway's"
    state = State.WRONG if off >= CLOCK_WRONG else State.LOOK
    return Finding("clock", state, said, "set the computer's clock, best by a time service")


# ----------------------------------------------------------------------- the work


def _work(subject: Subject) -> Iterator[Finding]:
    now = subject.clock()
    figures = take_figures(subject.sessions, now)
    with subject.sessions.read() as session:
        lines = job_lines(session, subject.ticks, now)
        held = clock_state(session, now)
    if held.held:
        fix = "set the clock; or if it is right as it is: cutcall clock --trust"
        said = f"doubted, nothing is sent or read: {held.note}"
        yield Finding("clock", State.WRONG, said, fix)
    yield from _jobs(lines)
    yield from _gateways(figures)
    yield from _backlogs(figures)
    yield from _leftovers(figures)


def _jobs(lines: Iterable[JobLine]) -> Iterator[Finding]:
    lines = list(lines)
    if all(line.started_at is None for line in lines):
        yield Finding("jobs", State.LOOK, "none has ever run", "start 'cutcall serve'")
        return
    stuck = [line for line in lines if line.stuck]
    for line in stuck:
        if not line.ok:
            yield Finding("jobs", State.WRONG, f"{line.name} failed: {line.detail}", "see the log")
        else:
            since = f"since {line.ended_at:%Y-%m-%d %H:%M} UTC" if line.ended_at else "yet"
            fix = "start 'cutcall serve', or the process with that part of the work"
            yield Finding("jobs", State.WRONG, f"{line.name} has not run {since}", fix)
    if not stuck:
        yield Finding("jobs", State.FINE, f"all {len(lines)} run and end well")


def _gateways(figures: Figures) -> Iterator[Finding]:
    for gateway in figures.gateways:
        if gateway.rests:
            said = f"rests after {gateway.failures} failures: {gateway.reason}"
            fix = "mend what it says; one message then tries it by itself"
            yield Finding(NAMES[Channel(gateway.channel)], State.WRONG, said, fix)


def _backlogs(figures: Figures) -> Iterator[Finding]:
    for channel, queue in figures.queue.items():
        if queue.longest > QUEUE_WAITS:
            said = f"{queue.number} messages might leave, the oldest for {_shown(queue.longest)}"
            fix = "start more senders, or see why the gateway takes none"
            yield Finding(f"queue ({channel})", State.WRONG, said, fix)
    areas, texts = figures.evaluation, figures.texts_in
    if areas.longest > AREAS_WAIT:
        said = f"{areas.number} areas are due, one for {_shown(areas.longest)}"
        yield Finding("evaluation", State.WRONG, said, "start more evaluators, or see the log")
    if texts.longest > TEXTS_WAIT:
        said = f"{texts.number} texts in are not handled, one for {_shown(texts.longest)}"
        yield Finding("texts in", State.WRONG, said, "start the ticker, or see the log")


def _leftovers(figures: Figures) -> Iterator[Finding]:
    """What waits for a person."""
    waits = (
        (figures.dead_letters, "messages did not arrive", "cutcall outbox --failed"),
        (figures.unmatched, "results have no field", "cutcall unmatched"),
        (figures.rejected, "rows could not be used", "cutcall rejected"),
        (figures.unread, "documents were not read to their end", "start the ticker"),
    )
    waiting = [(number, what, fix) for number, what, fix in waits if number]
    for number, what, fix in waiting:
        yield Finding("waiting for you", State.LOOK, f"{number} {what}", fix)
    if not waiting:
        yield Finding("waiting for you", State.FINE, "nothing")


def _shown(span: timedelta) -> str:
    minutes = round(span / timedelta(minutes=1))
    return f"{minutes} min" if minutes < 120 else f"{minutes / 60:.0f} h"
