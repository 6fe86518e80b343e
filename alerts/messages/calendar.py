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
    _check(sequence, start, end, stamp, cancelled)
    _check_given(uid=uid, summary=summary, organizer_email=organizer_email)
    event = Event()
    event.add("uid", _text(uid))
    event.add("sequence", sequence)
    event.add("dtstamp", stamp.astimezone(UTC))
    event.add("dtstart", start)
    event.add("dtend", end + timedelta(days=1))
    event.add("transp", "TRANSPARENT")
    event.add("status", "CANCELLED" if cancelled else "TENTATIVE")
    event.add("summary", _text(summary))
    if description:
        event.add("description", _text(description))
    event.add("organizer", _organizer(organizer_email, organizer_name))
    if url:
        event.add("url", url)
    return _calendar(event, cancelled)


def content_type(*, cancelled: bool = False) -> str:
    """Return the MIME type of the entry; it has to name the same method as the entry [3]."""
    return f"text/calendar; method={_method(cancelled)}; charset=UTF-8"


def _calendar(event: Event, cancelled: bool) -> bytes:
    calendar = Calendar()
    calendar.add("prodid", "-//Cutcall//Start dates//EN")
    calendar.add("version", "2.0")
    calendar.add("method", _method(cancelled))
    calendar.add_component(event)
    content: bytes = calendar.to_ical()
    return content


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
