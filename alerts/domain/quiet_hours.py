"""When a person may be written to: the send window by the clock on their wall.

A window holds its first moment but not its last: 07:00 to 20:00 lets a message go at 07:00:00
and holds it at 20:00:00. Whatever the local clock does on a day it is changed, a moment is open
when the clock reads a time inside the window. As a caution, not legal advice: 47 CFR
64.1200(c)(1) of the United States keeps telephone solicitation to 8 a.m. to 9 p.m. where the
person is, and some places are stricter; local rules decide.
"""

from __future__ import annotations

from bisect import bisect_left
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

DAY_FROM, DAY_TO = time(8), time(21)
"""Hours in which somebody may be texted of whose own hours nothing is known."""

_ONE_DAY = timedelta(days=1)
_ONE_SECOND = timedelta(seconds=1)


def next_allowed(at: datetime, zone: str | ZoneInfo, send_from: time, send_to: time) -> datetime:
    """Return the first moment at or after `at` inside the send window, in UTC.

    Parameters
    ----------
    at : aware datetime
    zone : IANA name such as "America/Denver", or a ZoneInfo
    send_from, send_to : wall-clock times in that zone, first included, last excluded; when
        `send_to` is the earlier one the window crosses midnight, when they are equal it never
        closes

    Raises ValueError for a time without a zone, zoneinfo.ZoneInfoNotFoundError for a zone that
    does not exist.
    """
    local_zone = _zone(zone)
    moment = _aware(at).astimezone(UTC)
    while not _is_open(clock := moment.astimezone(local_zone).time(), send_from, send_to):
        opening = moment + _until(send_from, clock)
        moment = _first_clock_change(moment, opening, local_zone) or opening
    return moment


def window_day(at: datetime, zone: str | ZoneInfo, send_from: time, send_to: time) -> date:
    """Return the local date on which the send window of `at` begins.

    The window is the one `at` lies in or, while it is closed, the next one to open: a message
    made at night counts to the day it can go out, and one that waits in the window of 20:00 to
    06:00 counts at 02:00 to the day before. A window that never closes begins at midnight.
    Parameters and errors are those of `next_allowed`.
    """
    local = next_allowed(at, zone, send_from, send_to).astimezone(_zone(zone))
    began_yesterday = send_to < send_from and local.time() < send_to
    return local.date() - _ONE_DAY if began_yesterday else local.date()


def night_began(at: datetime, zone: str | ZoneInfo) -> datetime | None:
    """Return when the night in which `at` lies began, in UTC; None by day, DAY_FROM to DAY_TO."""
    local_zone = _zone(zone)
    local = _aware(at).astimezone(local_zone)
    if _is_open(local.time(), DAY_FROM, DAY_TO):
        return None
    evening = local.date() if local.time() >= DAY_TO else local.date() - _ONE_DAY
    return datetime.combine(evening, DAY_TO, tzinfo=local_zone).astimezone(UTC)


def _zone(zone: str | ZoneInfo) -> ZoneInfo:
    return zone if isinstance(zone, ZoneInfo) else ZoneInfo(zone)


def _aware(at: datetime) -> datetime:
    if at.utcoffset() is None:
        raise ValueError(f"The moment {at.isoformat()} has no time zone: give an aware time.")
    return at


def _is_open(clock: time, send_from: time, send_to: time) -> bool:
    if send_from < send_to:
        return send_from <= clock < send_to
    return send_from == send_to or clock >= send_from or clock < send_to


def _until(goal: time, clock: time) -> timedelta:
    """Return how long an undisturbed clock takes to show `goal`: more than 0, up to a day."""
    wait = _since_midnight(goal) - _since_midnight(clock)
    return wait if wait > timedelta() else wait + _ONE_DAY


def _since_midnight(clock: time) -> timedelta:
    return timedelta(
        hours=clock.hour,
        minutes=clock.minute,
        seconds=clock.second,
        microseconds=clock.microsecond,
    )


def _first_clock_change(start: datetime, end: datetime, zone: ZoneInfo) -> datetime | None:
    """Return when, after `start` and up to `end`, the clock was put forward or back.

    Clocks change on whole seconds and not twice within the day or less between the two.
    """
    before = start.astimezone(zone).utcoffset()
    if end.astimezone(zone).utcoffset() == before:
        return None
    base = start.replace(microsecond=0)
    seconds = range(int((end - base) / _ONE_SECOND) + 1)
    changed = bisect_left(
        seconds,
        True,
        key=lambda s: (base + s * _ONE_SECOND).astimezone(zone).utcoffset() != before,
    )
    return base + changed * _ONE_SECOND
