"""Clocks that are changed, leap, or were not looked at for a day.

The gateway keeps the right time here; the service's own clock is what goes wrong.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
from factories import loopback_settings, results_sheet
from fakes import SettableClock
from sqlmodel import select
from stations import ROSTER, SAMPLED, ZONE, Station

from alerts.loopback.gateway import LoopbackGateway
from alerts.loopback.mailbox import LoopbackMailbox
from alerts.services.delivery.dispatch import SendReport
from alerts.services.farms.record_cuts import record_cut
from alerts.services.operating import clock_check
from alerts.store.tables import FarmField

NEXT = SAMPLED + timedelta(days=1)
NOON = time(12)
YEAR = timedelta(days=366)
CLIP = {
    "sampled_on": SAMPLED.isoformat(),
    "lab": "kestrel",
    "lab_number": "K-1",
    "method": "wet",
    "rfv": 205,
}
LEAPS = [YEAR, -YEAR, timedelta(days=3), timedelta(days=-3)]


@pytest.fixture
def right() -> SettableClock:
    """The clock that is right: the gateway's."""
    return SettableClock(datetime(2027, 5, 11, 11, tzinfo=ZONE).astimezone(UTC), ZONE)


@pytest.fixture
def apart(right: SettableClock, database_url: str, tmp_path: Path) -> Iterator[Station]:
    """A service whose clock is its own; it was believed at 11:00."""
    clock = SettableClock(right.now, ZONE)
    (tmp_path / "inbox").mkdir()
    with LoopbackGateway(clock=right) as gateway, LoopbackMailbox() as mailbox:
        settings = loopback_settings(database_url, tmp_path, gateway, mailbox)
        station = Station(settings, clock, gateway, mailbox)
        station.enrol(*ROSTER)
        station.round(SAMPLED, time(11))
        yield station
        station.close()


def both(station: Station, right: SettableClock, day: date, at: time) -> SendReport:
    """A round while both clocks are right."""
    right.set(day, at)
    return station.round(day, at)


def off(station: Station, right: SettableClock, by: timedelta) -> SendReport:
    """A round by a clock that differs from the right one."""
    local = (right.now + by).astimezone(ZONE)
    return station.round(local.date(), local.time())


def inbox(station: Station) -> list[str]:
    return [path.name for path in station.settings.inbox_dir.iterdir() if path.is_file()]


def state(station: Station) -> clock_check.ClockState:
    with station.parts.sessions.read() as session:
        return clock_check.clock_state(session, station.clock())


def fields(station: Station) -> list[tuple[str, int]]:
    with station.parts.sessions.read() as session:
        rows = session.exec(select(FarmField).order_by(FarmField.id)).all()
    return [(row.name, row.cutting) for row in rows]


# ------------------------------------------------------------------ clocks that leap


@pytest.mark.parametrize("by", LEAPS)
def test_waiting_text_outlives_a_clock_that_leaps(
    apart: Station, right: SettableClock, by: timedelta
) -> None:
    apart.gateway.stop()
    apart.drop("monday.csv", results_sheet(CLIP))
    both(apart, right, SAMPLED, NOON)
    apart.gateway.start()
    right.set(SAMPLED, time(12, 30))
    assert off(apart, right, by) == SendReport()
    assert apart.outbox()[0].status == "queued"
    assert state(apart).held
    both(apart, right, SAMPLED, time(13, 30))
    assert len(apart.texts()) == 1
    assert not state(apart).held


@pytest.mark.parametrize("by", LEAPS)
def test_file_that_came_while_the_clock_was_wrong_is_read_by_the_right_one(
    apart: Station, right: SettableClock, by: timedelta
) -> None:
    """A year ahead it would be of no season, a year behind of a day that has not come."""
    apart.drop("monday.csv", results_sheet(CLIP))
    right.set(SAMPLED, NOON)
    off(apart, right, by)
    assert inbox(apart) == ["monday.csv"]
    both(apart, right, SAMPLED, time(12, 5))
    assert inbox(apart) == []
    assert len(apart.texts()) == 1


def test_clock_a_year_ahead_opens_no_season(apart: Station, right: SettableClock) -> None:
    record_cut(
        apart.parts.sessions,
        farm="Plum Bottom",
        field="North",
        cut_on=SAMPLED,
        now=apart.clock(),
    )
    before = fields(apart)
    assert ("North", 2) in before
    off(apart, right, YEAR)
    off(apart, right, YEAR + timedelta(hours=2))
    assert fields(apart) == before
    both(apart, right, SAMPLED, time(14))
    assert fields(apart) == before


def test_new_season_opens_after_a_winter_without_service(
    apart: Station, right: SettableClock
) -> None:
    record_cut(
        apart.parts.sessions,
        farm="Plum Bottom",
        field="North",
        cut_on=SAMPLED,
        now=apart.clock(),
    )
    both(apart, right, date(2028, 4, 3), NOON)
    assert {cutting for _, cutting in fields(apart)} == {1}
    assert not state(apart).held


def test_standstill_waits_for_the_gateway_and_loses_nothing(
    apart: Station, right: SettableClock
) -> None:
    """Down for three days and back while the gateway cannot be asked."""
    back = SAMPLED + timedelta(days=3)
    apart.gateway.stop()
    apart.drop("thursday.csv", results_sheet({**CLIP, "sampled_on": back.isoformat()}))
    both(apart, right, back, NOON)
    assert state(apart).held
    apart.gateway.start()
    both(apart, right, back, time(12, 1))
    assert len(apart.texts()) == 1


def test_two_hours_ahead_and_back_send_one_text(apart: Station, right: SettableClock) -> None:
    apart.drop("monday.csv", results_sheet(CLIP))
    right.set(SAMPLED, NOON)
    off(apart, right, timedelta(hours=2))
    for at in (time(12, 1), time(13), time(14, 5), time(16)):
        both(apart, right, SAMPLED, at)
    both(apart, right, NEXT, time(8))
    told = [message for message in apart.outbox() if message.told_on == SAMPLED]
    assert len(told) == 1
    assert [text.body for text in apart.texts()].count(told[0].text) == 1


def test_wrong_clock_that_was_believed_silences_no_later_morning(
    apart: Station, right: SettableClock
) -> None:
    """An operator said yes too soon: the year is 2028 for a while."""
    right.set(SAMPLED, NOON)
    off(apart, right, YEAR)
    clock_check.trust(apart.parts.sessions, apart.clock())
    off(apart, right, YEAR + timedelta(minutes=5))
    apart.drop("monday.csv", results_sheet(CLIP))
    both(apart, right, SAMPLED, time(13))
    assert len(apart.texts()) == 1
    both(apart, right, NEXT, time(8))
    days = [m.told_on for m in apart.outbox("email") if m.kind == "digest"]
    assert days.count(NEXT) == 1
    assert apart.line("North").results == 1


# ------------------------------------------------------------------ a day without ticks


def test_day_missed_is_not_made_up_for(station: Station) -> None:
    """Down from the evening to the evening after: one text and one digest, of today."""
    station.drop("monday.csv", results_sheet(CLIP))
    station.round(SAMPLED, time(20, 30))  # the window is closed: the text waits for the morning
    assert len(station.texts()) == 0
    station.round(NEXT, time(19, 30))
    assert len(station.texts()) == 1
    digests = station.mails("marta@example.org")
    station.round(NEXT, time(19, 45))
    assert len(station.texts()) == 1
    assert station.mails("marta@example.org") == digests
    told = [message for message in station.outbox() if message.status == "delivered"]
    assert [message.told_on for message in told] == [NEXT]
    days = [m.told_on for m in station.outbox("email") if m.kind == "digest"]
    assert len(days) == len(set(days))
    assert days[-1] == NEXT


def test_text_that_waited_through_the_day_does_not_ring_at_night(station: Station) -> None:
    station.drop("monday.csv", results_sheet(CLIP))
    station.round(SAMPLED, time(20, 30))
    station.round(NEXT, time(21))
    assert station.texts() == []
    after = NEXT + timedelta(days=1)
    station.round(after, time(6, 5))
    assert station.texts() == []
    station.round(after, time(7, 5))
    assert len(station.texts()) == 1
    states = {message.told_on: message.status for message in station.outbox()}
    assert states == {NEXT: "cancelled", after: "sent"}


# -------------------------------------------------------------------- the leap day


def test_leap_day_is_a_day_like_others(station: Station) -> None:
    """A clip of March 2, 2028, two days after February 29."""
    leap_day = date(2028, 2, 29)
    station.round(leap_day, NOON)
    station.round(leap_day + timedelta(days=1), time(7, 5))
    clip = {**CLIP, "sampled_on": "2028-03-02", "rfv": 205}
    station.drop("thursday.csv", results_sheet(clip))
    station.round(date(2028, 3, 3), NOON)
    assert station.line("North").results == 1
    [told] = station.outbox()
    assert (told.season, told.told_on) == (2028, date(2028, 3, 3))
