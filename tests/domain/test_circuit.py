"""The rate of a gateway, and its rest after failures."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from alerts.domain.circuit import (
    BUCKET_S,
    Circuit,
    CircuitRules,
    Finding,
    Word,
    after,
    is_resting,
    may_leave,
    refilled,
    spent,
)

NOW = datetime(2027, 5, 10, 12, tzinfo=UTC)
RULES = CircuitRules(per_second=2, in_flight=50, failures=3, rest_s=10, rest_cap_s=60)
FAILS, WORKS = Finding(Word.FAILS, "HTTP 500"), Finding(Word.WORKS)


def seconds(count: float) -> datetime:
    return NOW + timedelta(seconds=count)


def failing(count: int) -> Circuit:
    return after(refilled(Circuit(), RULES, NOW), [FAILS] * count, RULES, NOW)


def test_rate_lets_a_bucket_leave_and_then_so_many_a_second() -> None:
    full = refilled(Circuit(), RULES, NOW)
    assert may_leave(full, RULES, 0, NOW) == RULES.per_second * BUCKET_S
    empty = spent(full, 20, NOW)
    assert may_leave(empty, RULES, 0, NOW) == 0
    later = refilled(empty, RULES, seconds(3))
    assert may_leave(later, RULES, 0, seconds(3)) == 6


def test_clock_that_was_set_back_empties_and_fills_nothing() -> None:
    used = spent(refilled(Circuit(), RULES, NOW), 15, NOW)
    assert refilled(used, RULES, seconds(-3600)).allowance == used.allowance


def test_attempts_under_way_bound_what_may_leave() -> None:
    full = refilled(Circuit(), RULES, NOW)
    assert [may_leave(full, RULES, going, NOW) for going in (45, 50, 60)] == [5, 0, 0]


def test_gateway_rests_after_failures_in_a_row_and_one_message_tries_it() -> None:
    assert may_leave(failing(2), RULES, 0, NOW) > 1
    resting = failing(3)
    assert (may_leave(resting, RULES, 0, NOW), resting.reason) == (0, "HTTP 500")
    assert may_leave(resting, RULES, 0, seconds(10)) == 1
    tried = spent(resting, 1, seconds(40))
    assert may_leave(tried, RULES, 0, seconds(39)) == 0


def test_rest_doubles_up_to_its_longest() -> None:
    rests = [failing(count).paused_until for count in (3, 4, 5, 6, 30)]
    assert rests == [seconds(10), seconds(20), seconds(40), seconds(60), seconds(60)]


def test_one_answer_ends_the_rest() -> None:
    well = after(failing(5), [WORKS], RULES, seconds(60))
    assert (well.failures, well.failing_since, well.paused_until) == (0, None, None)


def test_failures_between_answers_are_not_in_a_row() -> None:
    mixed = after(Circuit(), [FAILS, FAILS, WORKS, FAILS, FAILS], RULES, NOW)
    assert not is_resting(mixed, RULES, NOW)


def test_word_on_one_recipient_neither_helps_nor_harms() -> None:
    before = failing(2)
    assert after(before, [Finding(Word.SILENT)], RULES, NOW) == before


@pytest.mark.parametrize(("wait_s", "until"), [(5, 5), (3600, 60)])
def test_gateway_that_asks_for_a_pause_gets_it_within_bounds(wait_s: float, until: float) -> None:
    busy = after(Circuit(), [Finding(Word.FAILS, "429", wait_s)], RULES, NOW)
    assert busy.paused_until == seconds(until)
    assert is_resting(busy, RULES, seconds(until - 1))
    assert not is_resting(busy, RULES, seconds(until))


def test_rest_set_by_a_clock_that_ran_ahead_does_not_count() -> None:
    ahead = after(Circuit(), [FAILS] * 3, RULES, NOW + timedelta(days=365))
    assert not is_resting(ahead, RULES, NOW)
