"""Holding the work while the clock is doubted, until another clock or an operator says it is right.

Held is whatever could not be taken back: sending (and finding a message too late), opening a
season, reading documents by the day it is, and looking at areas. What comes in is kept meanwhile.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session

from alerts.domain.clock_watch import ClockDoubt, Leap, agrees, leap
from alerts.domain.errors import TransportError
from alerts.store import ahead, trusted_clock
from alerts.store.session import Sessions
from alerts.store.trusted_clock import Believed
from alerts.transports.base import Channel, Transport

log = logging.getLogger(__name__)

NOTE_SHOWN_FOR = timedelta(days=7)
"""How long an operator is shown that something was the matter with the clock (our judgement)."""


@dataclass(frozen=True, slots=True)
class ClockState:
    """What an operator is told: ``note`` is "" where nothing is the matter."""

    held: bool = False
    note: str = ""


def is_held(sessions: Sessions, now: datetime) -> bool:
    """Whether the clock is doubted right now, so that nothing may be done by it.

    Every job asks this itself: a clock may leap between two ticks of `check`.
    """
    with sessions.read() as session:
        return leap(now, _last(trusted_clock.believed(session))) is Leap.FAR


def clock_state(session: Session, now: datetime) -> ClockState:
    """How the clock stands, for the operator's page."""
    known = trusted_clock.believed(session)
    if known is None:
        return ClockState()
    if leap(now, known.at) is Leap.FAR:
        said = "" if known.is_believed else known.note
        return ClockState(held=True, note=said or str(ClockDoubt(known.at, now)))
    is_fresh = abs(now - known.noted_at) < NOTE_SHOWN_FOR
    return ClockState(note=known.note if is_fresh else "")


def trust(sessions: Sessions, now: datetime) -> None:
    """An operator says that the clock is right: the work goes on."""
    _believe(sessions, now, f"an operator said that the clock, showing {now:%Y-%m-%d}, is right")


async def check(
    sessions: Sessions, transports: Mapping[Channel, Transport], clock: Callable[[], datetime]
) -> bool:
    """Compare the clock with the newest instant believed; True when it is believed now.

    After a long leap, or a long standstill, the gateway's clock decides. Where no transport tells
    the time there is nothing to compare with: then the clock is believed, and a warning is kept.
    """
    with sessions.read() as session:
        last = _last(trusted_clock.believed(session))
    now = clock()
    match leap(now, last):
        case Leap.NONE:
            _believe(sessions, now)
            return True
        case Leap.BACK:
            assert last is not None
            minutes = (last - now) / timedelta(minutes=1)
            _believe(sessions, now, f"the clock was set back by {minutes:.0f} minutes")
            return True
    assert last is not None
    return await _ask(sessions, transports.values(), ClockDoubt(last, now))


async def _ask(sessions: Sessions, transports: Iterable[Transport], doubt: ClockDoubt) -> bool:
    told, refusals = await _times(transports)
    if any(agrees(doubt.now, there) for there in told):
        _believe(sessions, doubt.now, f"{doubt}; the gateway's clock agrees")
        return True
    if not told and not refusals:
        _believe(sessions, doubt.now, f"{doubt}; there is no other clock to ask")
        return True
    against = [f"the gateway's clock shows {there:%Y-%m-%d %H:%M} UTC" for there in told]
    _doubt(sessions, doubt, "; ".join(against or refusals))
    return False


async def _times(transports: Iterable[Transport]) -> tuple[list[datetime], list[str]]:
    """What their clocks show, and why others could not be asked."""
    told, refusals = [], []
    for transport in transports:
        try:
            there = await transport.time_there()
        except TransportError as error:
            refusals.append(str(error))
            continue
        told += [] if there is None else [there]
    return told, refusals


def _last(known: Believed | None) -> datetime | None:
    return None if known is None else known.at


def _believe(sessions: Sessions, now: datetime, note: str = "") -> None:
    if note:
        log.warning("%s", note)
    with sessions.write() as session:
        trusted_clock.believe(session, now, note)
        moved = ahead.bring_back(session, now)
    if moved:
        log.warning("%d things put off by a clock that ran ahead are done now", moved)


def _doubt(sessions: Sessions, doubt: ClockDoubt, why: str) -> None:
    log.error(
        "nothing is sent or read: %s, and %s; set the computer's clock, or say on the operator's "
        "page that it is right",
        doubt,
        why,
    )
    with sessions.write() as session:
        trusted_clock.doubt(session, doubt.now, f"{doubt}; {why}")
