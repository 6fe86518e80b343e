from __future__ import annotations

import math
from datetime import date

import orjson
import pytest

from alerts.domain.days_ahead import DayAhead, DaysAhead

FIRST = DayAhead(date(2031, 5, 31), 201.25, 190.0, 213.5)
SECOND = DayAhead(date(2031, 6, 1), 197.0, 185.5, 209.0)
DAYS = DaysAhead(FIRST.day, [201.25, 197.0], [190.0, 185.5], [213.5, 209.0])


def test_days_are_read_as_single_ones() -> None:
    assert list(DAYS) == [FIRST, SECOND]
    assert (DAYS[0], DAYS[-1], DAYS[1:], len(DAYS)) == (FIRST, SECOND, (SECOND,), 2)
    with pytest.raises(IndexError):
        DAYS[2]


def test_days_are_made_of_single_ones() -> None:
    assert DaysAhead.of([FIRST, SECOND]) == DAYS
    assert DaysAhead.of(DAYS) is DAYS
    assert len(DaysAhead.of([])) == 0


def test_days_come_back_as_they_were_kept() -> None:
    assert DaysAhead.of_json(orjson.loads(orjson.dumps(DAYS.to_json()))) == DAYS


def test_days_kept_one_by_one_are_still_read() -> None:
    """As they were kept by versions before."""
    kept = [
        {"day": day.day.isoformat(), "median": day.median, "low": day.low, "high": day.high}
        for day in DAYS
    ]
    assert DaysAhead.of_json(kept) == DAYS
    assert list(DaysAhead.of_json([])) == []


def test_end_beyond_the_scale_is_no_number_afterwards_either() -> None:
    wide = DaysAhead(FIRST.day, [201.25], [190.0], [math.nan])
    back = DaysAhead.of_json(orjson.loads(orjson.dumps(wide.to_json())))
    assert (back.median, back.low) == ([201.25], [190.0])
    assert math.isnan(back[0].high)
