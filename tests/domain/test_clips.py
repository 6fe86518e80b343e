from __future__ import annotations

from datetime import date, timedelta

import pytest

from alerts.domain.clips import missed_sampling_day, next_sampling_day

MONDAY = date(2027, 5, 10)
TWICE = frozenset({0, 3})


@pytest.mark.parametrize(("on", "found"), [(0, 0), (1, 3), (3, 3), (4, 7), (6, 7)])
def test_next_sampling_day_is_the_first_from_a_day_on(on: int, found: int) -> None:
    first = MONDAY + timedelta(days=on)
    assert next_sampling_day(first, TWICE) == MONDAY + timedelta(days=found)


def test_without_sampling_days_there_is_no_next() -> None:
    assert next_sampling_day(MONDAY, frozenset()) is None
    assert missed_sampling_day(MONDAY, MONDAY + timedelta(days=30), frozenset(), 1) is None


@pytest.mark.parametrize(
    ("take", "first_missed"),
    [(0, 4), (1, 5), (3, 7)],  # Thursday's clip, and the days until it is printed
)
def test_sampling_day_is_missed_the_day_after_its_result_was_due(
    take: int, first_missed: int
) -> None:
    for on in range(10):
        missed = missed_sampling_day(MONDAY, MONDAY + timedelta(days=on), TWICE, take)
        assert missed == (MONDAY + timedelta(days=3) if on >= first_missed else None)
