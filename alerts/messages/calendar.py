"""The harvest as an all-day calendar entry that informs and asks for no answer.

References
----------
1. B. Desruisseaux (ed.), "Internet Calendaring and Scheduling Core Object Specification
   (iCalendar)", RFC 5545 (2009).
2. C. Daboo (ed.), "iCalendar Transport-Independent Interoperability Protocol (iTIP)", RFC 5546
   (2009): 2.1.4 sequence, 3.2.1 PUBLISH, 3.2.5 CANCEL.
3. A. Melnikov (ed.), "iCalendar Message-Based Interoperability Protocol (iMIP)", RFC 6047 (2010).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from icalendar import Calendar, Event, vCalAddress

_CONTROLS = re.compile(r"[\x00-\x08\x0b-\x1f\x7f]")  # RFC 5545 3.1 keeps them out of TEXT


def start_event(
    *,
    uid: str,
    sequence: int,
    start: date,
    end: date,
    summary: str,
    description: str,
    organizer_email: str,
    organizer_name: str,
    stamp: datetime,
    url: str = "",
    cancelled: bool = False,
) -> bytes:
    """Return a calendar of one all-day entry from `start` to `end`, the last day included.

    The entry leaves the days free (TRANSPARENT) and is TENTATIVE, since a projected date may
    move. Keep `uid` for the life of the entry and raise `sequence` (from 0) by one whenever a
    date changes or the entry is cancelled [2]; with an equal sequence the later `stamp` wins.

    Raises ValueError for an end before the start, a negative sequence, a cancellation that
    does not raise the sequence, a stamp without a zone, an empty uid, summary or organiser
    address, or a line break in an address.
    """
    entry = Entry(uid, sequence, start, end, summary, description, url)
    calendar = _empty_calendar(_method(cancelled))
    organizer = _organizer(organizer_email, organizer_name)
    _check_given(organizer_email=organizer_email)
    calendar.add_component(_event(entry, organizer, stamp, cancelled))
    content: bytes = calendar.to_ical()
    return content


@dataclass(frozen=True, slots=True)
class Entry:
    """One all-day entry from ``start`` to ``end``, the last day included."""

    uid: str
    sequence: int
    start: date
    end: date
    summary: str
    description: str
    url: str = ""


def start_calendar(
    entries: Iterable[Entry],
    *,
    organizer_email: str,
    organizer_name: str,
    stamp: datetime,
    published: bool = True,
) -> bytes:
    """Return a calendar of several announced entries, each as `start_event` makes it.

    Not `published` leaves METHOD out: a file that a person opens is no message to be processed
    (RFC 5545 3.7.2).

    Raises ValueError as `start_event` does.
    """
    calendar = _empty_calendar(_method(cancelled=False) if published else "")
    organizer = _organizer(organizer_email, organizer_name)
    _check_given(organizer_email=organizer_email)
    for entry in entries:
        calendar.add_component(_event(entry, organizer, stamp, cancelled=False))
    content: bytes = calendar.to_ical()
    return content


def content_type(*, cancelled: bool = False) -> str:
    """Return the MIME type of the entry; it has to name the same method as the entry [3]."""
    return f"text/calendar; method={_method(cancelled)}; charset=UTF-8"


def _event(entry: Entry, organizer: vCalAddress, stamp: datetime, cancelled: bool) -> Event:
    _check(entry.sequence, entry.start, entry.end, stamp, cancelled)
    _check_given(uid=entry.uid, summary=entry.summary)
    event = Event()
    event.add("uid", _text(entry.uid))
    event.add("sequence", entry.sequence)
    event.add("dtstamp", stamp.astimezone(UTC))
    event.add("dtstart", entry.start)
    event.add("dtend", entry.end + timedelta(days=1))
    event.add("transp", "TRANSPARENT")
    event.add("status", "CANCELLED" if cancelled else "TENTATIVE")
    event.add("summary", _text(entry.summary))
    if entry.description:
        event.add("description", _text(entry.description))
    event.add("organizer", organizer)
    if entry.url:
        event.add("url", entry.url)
    return event


def _empty_calendar(method: str) -> Calendar:
    calendar = Calendar()
    calendar.add("prodid", "-//Cutcall//Start dates//EN")
    calendar.add("version", "2.0")
    if method:
        calendar.add("method", method)
    return calendar


def _method(cancelled: bool) -> str:
    return "CANCEL" if cancelled else "PUBLISH"


def _organizer(email: str, name: str) -> vCalAddress:
    organizer = vCalAddress(f"mailto:{email}")
    if name:
        organizer.params["CN"] = " ".join(_text(name).split())
    return organizer


def _text(text: str) -> str:
    return _CONTROLS.sub(" ", "\n".join(text.splitlines()))


def _check(sequence: int, start: date, end: date, stamp: datetime, cancelled: bool) -> None:
    if end < start:
        raise ValueError(f"The entry ends on {end}, before it starts on {start}: swap the days.")
    if sequence < 0:
        raise ValueError(f"The sequence of an entry is {sequence}: count from 0.")
    if cancelled and sequence == 0:
        raise ValueError("A cancelled entry has sequence 0: raise it above the one announced.")
    if stamp.tzinfo is None:
        raise ValueError(f"The stamp {stamp.isoformat()} has no time zone: give an aware time.")


def _check_given(**values: str) -> None:
    for name, value in values.items():
        if not value.strip():
            raise ValueError(f"The calendar entry has no {name}: give one.")
