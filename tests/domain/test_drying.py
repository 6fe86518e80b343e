"""Runs of rain-free days and the words on rain.

Limits are judgement; days needed by method are published times (Kilcer, 2010; Diaz, n.d.; see
alerts/domain/drying.py). The Weather Service speaks of rain as "likely" from 60 % and of a
"chance" of it below (its expressions of uncertainty, from memory).
"""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.domain.drying import dry_run

THURSDAY = date(2026, 5, 14)
Chance = float | None


def week(first: date = THURSDAY, count: int = 8) -> list[date]:
    return [first + timedelta(days=n) for n in range(count)]


DRY, WET = 10.0, 80.0


@pytest.mark.parametrize(
    ("chances", "days_needed", "start"),
    [
        # one day for haylage, two for baleage, three or four for dry hay
        ([DRY, WET, DRY, DRY, WET, DRY, DRY, DRY], 1, 0),
        ([DRY, WET, DRY, DRY, WET, DRY, DRY, DRY], 2, 2),
        ([DRY, WET, DRY, DRY, WET, DRY, DRY, DRY], 3, 5),
        ([DRY, WET, DRY, DRY, WET, DRY, DRY, DRY], 4, None),
        ([WET, WET], 1, None),
        ([], 1, None),
    ],
)
def test_first_long_enough_run_is_found(
    chances: list[Chance], days_needed: int, start: int | None
) -> None:
    assert dry_run(chances, [None] * len(chances), days_needed) == start


@pytest.mark.parametrize(
    ("chance", "amount", "dry"),
    [
        (29.9, 0.049, True),
        (30.0, 0.0, False),
        (0.0, 0.05, False),
        (20.0, None, True),
        (40.0, None, False),
        (None, 0.0, True),
        (None, 0.2, False),
        (None, None, False),
    ],
)
def test_day_is_dry_by_what_is_known_of_it(chance: Chance, amount: Chance, dry: bool) -> None:
    assert dry_run([chance], [amount], 1) == (0 if dry else None)


def test_limits_are_the_callers_to_set() -> None:
    assert dry_run([40.0], [0.1], 1) is None
    assert dry_run([40.0], [0.1], 1, chance_limit=50.0, rain_limit=0.2) == 0


def test_unknown_day_breaks_a_run() -> None:
    assert dry_run([DRY, None, DRY, DRY], [0.0, None, 0.0, 0.0], 2) == 2


@pytest.mark.parametrize("days_needed", [0, -1])
def test_no_days_needed_raises(days_needed: int) -> None:
    with pytest.raises(ValueError, match="at least 1"):
        dry_run([DRY], [0.0], days_needed)


def test_chances_and_amounts_of_other_days_raise() -> None:
    with pytest.raises(ValueError, match="shorter"):
        dry_run([DRY, DRY], [0.0], 3)


@given(
    st.lists(st.one_of(st.none(), st.floats(0.0, 100.0)), max_size=12),
    st.integers(min_value=1, max_value=5),
)
def test_run_is_the_first_one_by_looking_at_every_start(
    chances: list[Chance], days_needed: int
) -> None:
    def fits(start: int) -> bool:
        run = chances[start : start + days_needed]
        return len(run) == days_needed and all(c is not None and c < 30.0 for c in run)

    expected = next((start for start in range(len(chances)) if fits(start)), None)
    assert dry_run(chances, [None] * len(chances), days_needed) == expected
