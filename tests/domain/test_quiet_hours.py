from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.domain.quiet_hours import next_allowed, window_day

# Window of 47 CFR 64.1200(c)(1), instants from the IANA time zone database: see
# SOURCES-messages.md beside the file.
DATA = Path(__file__).parents[1] / "data" / "messaging"
CASES = json.loads((DATA / "quiet_hours_dst_cases.json").read_text(encoding="utf-8"))
DENVER = "America/Denver"


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def is_open(at: datetime, zone: str, send_from: time, send_to: time) -> bool:
    clock = at.astimezone(ZoneInfo(zone)).time()
    if send_from < send_to:
        return send_from <= clock < send_to
    return send_from == send_to or clock >= send_from or clock < send_to


@pytest.mark.parametrize("case", CASES["quiet_hours"], ids=lambda case: case["id"])
def test_next_allowed_matches_case(case: dict[str, Any]) -> None:
    at = datetime.fromisoformat(case["utc"])
    assert at.astimezone(ZoneInfo(case["zone"])).isoformat() == case["local"]
    allowed = next_allowed(at, case["zone"], time(8), time(21))
    assert allowed == datetime.fromisoformat(case["next_allowed_utc"])
    assert (allowed == at) is case["allowed"]
    assert allowed.tzinfo is UTC


@pytest.mark.parametrize(
    ("at", "expected"),
    [
        # 8 March 2026, Denver: 02:00 MST (09:00Z) becomes 03:00 MDT, so 02:30 never shows; the
        # clock first reads 02:30 or later at 09:00Z.
        ("2026-03-08T08:00", "2026-03-08T09:00"),
        ("2026-03-08T09:00", "2026-03-08T09:00"),
        ("2026-03-07T08:00", "2026-03-07T09:30"),
    ],
)
def test_window_opening_in_the_missing_hour_opens_at_the_change(at: str, expected: str) -> None:
    assert next_allowed(utc(at), DENVER, time(2, 30), time(20)) == utc(expected)


@pytest.mark.parametrize(
    ("at", "expected"),
    [
        # 1 November 2026, Denver: 02:00 MDT (08:00Z) becomes 01:00 MST, so 01:00-02:00 shows twice.
        ("2026-11-01T07:00", "2026-11-01T07:30"),  # 01:00 MDT waits for the first 01:30
        ("2026-11-01T07:45", "2026-11-01T07:45"),
        ("2026-11-01T08:00", "2026-11-01T08:30"),  # the clock is back at 01:00: closed again
    ],
)
def test_window_opening_in_the_repeated_hour_opens_by_the_clock(at: str, expected: str) -> None:
    assert next_allowed(utc(at), DENVER, time(1, 30), time(20)) == utc(expected)


def test_window_reopens_when_the_clock_is_put_back_into_it() -> None:
    # 00:30-01:30 has closed at 01:45 MDT; 15 minutes later the clock reads 01:00 again.
    allowed = next_allowed(utc("2026-11-01T07:45"), DENVER, time(0, 30), time(1, 30))
    assert allowed == utc("2026-11-01T08:00")


@pytest.mark.parametrize(
    ("at", "expected"),
    [
        ("2026-06-11T01:00", "2026-06-11T02:00"),  # 19:00 waits for 20:00
        ("2026-06-11T08:00", "2026-06-11T08:00"),  # 02:00 is open
        ("2026-06-11T12:00", "2026-06-12T02:00"),  # 06:00 is closed again
    ],
)
def test_window_crossing_midnight(at: str, expected: str) -> None:
    assert next_allowed(utc(at), DENVER, time(20), time(6)) == utc(expected)


def test_equal_times_never_close() -> None:
    at = utc("2026-06-11T08:12:13")
    assert next_allowed(at, DENVER, time(7), time(7)) == at


def test_zone_object_and_local_moment_are_taken_too() -> None:
    zone = ZoneInfo(DENVER)
    at = datetime(2026, 6, 10, 6, 0, tzinfo=zone)
    assert next_allowed(at, zone, time(8), time(21)) == utc("2026-06-10T14:00")


@pytest.mark.parametrize(
    ("at", "send_from", "send_to", "day"),
    [
        ("2026-06-10T18:00", time(8), time(21), date(2026, 6, 10)),
        ("2026-06-11T02:59", time(8), time(21), date(2026, 6, 10)),  # 20:59 local
        ("2026-06-11T03:00", time(8), time(21), date(2026, 6, 11)),  # closed: the next window
        ("2026-06-10T12:00", time(8), time(21), date(2026, 6, 10)),  # 06:00: opens today
        ("2026-06-11T08:00", time(20), time(6), date(2026, 6, 10)),  # 02:00 belongs to last night
        ("2026-06-11T12:00", time(20), time(6), date(2026, 6, 11)),  # 06:00: opens tonight
        ("2026-06-11T03:00", time(20), time(6), date(2026, 6, 10)),
        ("2026-06-11T05:59", time(7), time(7), date(2026, 6, 10)),  # never closes: 23:59 local
        ("2026-06-11T06:00", time(7), time(7), date(2026, 6, 11)),
        ("2026-06-11T05:00", time(20), time(0), date(2026, 6, 10)),  # to midnight: 23:00
        ("2026-06-11T06:00", time(20), time(0), date(2026, 6, 11)),
    ],
)
def test_window_day(at: str, send_from: time, send_to: time, day: date) -> None:
    assert window_day(utc(at), DENVER, send_from, send_to) == day


ZONES = st.sampled_from(
    # half-hour changes, negative summer time, a change at midnight, no change
    [DENVER, "America/St_Johns", "Australia/Lord_Howe", "Europe/Dublin", "America/Havana", "UTC"]
)
CLOCKS = st.builds(time, st.integers(0, 23), st.sampled_from([0, 15, 30, 45]))
QUARTERS = st.integers(0, 2 * 365 * 96).map(
    lambda number: datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=15 * number)
)


@settings(max_examples=300)
@given(QUARTERS, ZONES, CLOCKS, CLOCKS)
def test_next_allowed_is_the_first_open_quarter_hour(
    at: datetime, zone: str, send_from: time, send_to: time
) -> None:
    """Clock changes and the windows drawn here fall on quarter hours, so counting finds them."""
    expected = at
    while not is_open(expected, zone, send_from, send_to):
        expected += timedelta(minutes=15)
    assert next_allowed(at, zone, send_from, send_to) == expected


@given(QUARTERS, ZONES, CLOCKS, CLOCKS)
def test_moment_and_its_sending_belong_to_the_same_window(
    at: datetime, zone: str, send_from: time, send_to: time
) -> None:
    sent = next_allowed(at, zone, send_from, send_to)
    day = window_day(at, zone, send_from, send_to)
    assert window_day(sent, zone, send_from, send_to) == day
    assert sent.astimezone(ZoneInfo(zone)).date() - day in (timedelta(), timedelta(days=1))


@pytest.mark.parametrize("question", [next_allowed, window_day])
def test_moment_without_zone_is_refused(
    question: Callable[[datetime, str, time, time], object],
) -> None:
    with pytest.raises(ValueError, match="no time zone"):
        question(datetime(2026, 6, 10), DENVER, time(8), time(21))


def test_unknown_zone_is_refused() -> None:
    with pytest.raises(ZoneInfoNotFoundError):
        next_allowed(utc("2026-06-10T12:00"), "America/Nowhere", time(8), time(21))
