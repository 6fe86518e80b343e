"""Bounds are judgement of ours, see the module; what is checked is that both directions count."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from alerts.domain.clock_watch import ClockDoubt, Leap, agrees, leap

NOON = datetime(2027, 5, 10, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("passed", "expected"),
    [
        (timedelta(), Leap.NONE),
        (timedelta(hours=24), Leap.NONE),
        (timedelta(hours=24, seconds=1), Leap.FAR),
        (timedelta(days=366), Leap.FAR),
        (timedelta(minutes=-2), Leap.NONE),
        (timedelta(minutes=-2, seconds=-1), Leap.BACK),
        (timedelta(hours=-24), Leap.BACK),
        (timedelta(days=-366), Leap.FAR),
    ],
)
def test_leap_is_told_in_both_directions(passed: timedelta, expected: Leap) -> None:
    assert leap(NOON + passed, NOON) is expected


def test_clock_of_a_service_that_never_ran_is_believed() -> None:
    assert leap(NOON, None) is Leap.NONE


@pytest.mark.parametrize(("minutes", "same"), [(0, True), (60, True), (-60, True), (61, False)])
def test_clocks_agree_within_an_hour(minutes: int, same: bool) -> None:
    assert agrees(NOON, NOON + timedelta(minutes=minutes)) is same


@pytest.mark.parametrize(("days", "said"), [(365, "365.0 days later"), (-2, "2.0 days earlier")])
def test_doubt_says_how_far_and_which_way(days: int, said: str) -> None:
    assert said in str(ClockDoubt(NOON, NOON + timedelta(days=days)))
