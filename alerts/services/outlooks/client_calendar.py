"""A consultant's clients in one calendar, in step with the events their farmers got."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.domain.decision import Told
from alerts.messages.calendar import Entry, start_calendar
from alerts.messages.wording import Wording
from alerts.store import outlooks, told_farms
from alerts.store.outlooks import FieldView
from alerts.store.tables import CalendarEntry, Farm, FarmOutlookRow


@dataclass(frozen=True, slots=True)
class ClientNote:
    """What stands in a client's entry beside its date."""

    said: str  # one line
    url: str = ""  # of its page


def client_calendar(
    session: Session,
    views: Collection[FieldView],
    notes: Mapping[int, ClientNote],
    words: Wording,
    *,
    organizer_email: str,
    now: datetime,
    published: bool = True,
) -> bytes:
    """An all-day event for each farm with a start date; ``session`` must be able to write.

    UID and sequence are those of the farmer's own event. Its date is the one the farmer was told,
    as long as no other was: a date that wobbles is no news, and one event must not have two. A
    farm that was told nothing yet has the date of its newest outlook. b"" where no farm has one.
    ``published`` as `messages.calendar.start_calendar` has it.
    """
    entries = [
        Entry(
            uid=entry.uid,
            sequence=entry.sequence,
            start=entry.start_on,
            end=entry.start_on + timedelta(days=max(0, round(farm.harvest_days) - 1)),
            summary=words.say("headline.calendar", farm=farm.name),
            description=_said(note, told_other, words),
            url=note.url,
        )
        for farm, entry, told_other in _entries(session, views, now)
        for note in (notes.get(entry.farm_id, ClientNote("")),)
    ]
    if not entries:
        return b""  # a calendar without an entry is none (RFC 5545 3.6)
    return start_calendar(
        entries,
        organizer_email=organizer_email,
        organizer_name="Cutcall",
        stamp=now,
        published=published,
    )


def _entries(
    session: Session, views: Iterable[FieldView], now: datetime
) -> Iterable[tuple[Farm, CalendarEntry, date | None]]:
    """Each farm's entry, and the date the farmer was told where the outlook has another now."""
    by_farm: dict[int, list[FieldView]] = {}
    for view in views:
        by_farm.setdefault(view.farm.id or 0, []).append(view)
    told: dict[int, Mapping[tuple[int, int], Told]] = {}
    known: dict[int, Mapping[tuple[int, int], CalendarEntry]] = {}
    for farm_id, mine in by_farm.items():
        farm, whole = mine[0].farm, mine[0].farm_outlook
        today = now.astimezone(ZoneInfo(mine[0].area.time_zone)).date()
        if whole is None or whole.made_at.year != today.year:
            continue
        if today.year not in told:
            told[today.year] = told_farms.by_farm(session, by_farm, today.year)
            known[today.year] = outlooks.calendar_entries(session, by_farm, today.year)
        place = (farm_id, whole.cutting)
        entry, last = known[today.year].get(place), told[today.year].get(place)
        start = _start(mine, whole, last, entry, today)
        if start is not None:
            other = last.start_on if last and last.start_on != whole.start_median else None
            yield farm, _put(session, farm_id, today.year, whole.cutting, start, entry), other


def _said(note: ClientNote, told_other: date | None, words: Wording) -> str:
    """The note, which tells the newest date, and why the entry stands on another."""
    if told_other is None:
        return note.said
    told = words.say("headline.calendar_told", start=words.full_day(told_other))
    return "\n".join(line for line in (note.said, told) if line)


def _start(
    mine: list[FieldView],
    whole: FarmOutlookRow,
    told: Told | None,
    entry: CalendarEntry | None,
    today: date,
) -> date | None:
    """The day for the calendar; None where there is none to put in."""
    if told is not None:
        # "Start now" is told with the day that is gone; the event begins on the day it was told.
        late = told.start_on <= told.on
        return entry.start_on if entry is not None and late else told.start_on
    rough = any(view.outlook is not None and view.outlook.detail["rough"] for view in mine)
    under_way = any(view.field.cutting > whole.cutting for view in mine)
    if rough or under_way or whole.start_median is None or whole.start_median < today:
        return None
    return whole.start_median


def _put(
    session: Session,
    farm_id: int,
    season: int,
    cutting: int,
    start: date,
    entry: CalendarEntry | None,
) -> CalendarEntry:
    if entry is not None and entry.start_on == start:
        return entry
    uid = entry.uid if entry is not None else event_uid(farm_id, season, cutting)
    outlooks.calendar_sequence(
        session, farm_id=farm_id, season=season, cutting=cutting, uid=uid, start_on=start
    )
    return session.get_one(CalendarEntry, (farm_id, season, cutting))


def event_uid(farm_id: int, season: int, cutting: int) -> str:
    """The UID of a farm's harvest, the same in every calendar it is in."""
    return f"harvest-{farm_id}-{season}-{cutting}@cutcall"
