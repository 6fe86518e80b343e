"""The life of a message: every step that may and may not happen, and when to try again."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.domain.delivery import (
    FINAL,
    TOLD,
    UNDERWAY,
    WAITING_FOR_RECEIPT,
    Status,
    advance,
    next_attempt,
)

NOW = datetime(2031, 5, 20, 11, 0, tzinfo=UTC)

# Written out from the outbox rules: commit `sending`, one post; a clear refusal is final or goes
# back to the queue; anything unclear is `unknown` until the gateway was asked, which may find the
# message anywhere in its later life; receipts only move forward.
ALLOWED = {
    ("queued", "sending"),
    ("queued", "expired"),
    ("queued", "cancelled"),
    ("sending", "queued"),
    ("sending", "unknown"),
    ("sending", "accepted"),
    ("sending", "failed"),
    ("sending", "cancelled"),
    ("unknown", "queued"),
    ("unknown", "accepted"),
    ("unknown", "sent"),
    ("unknown", "delivered"),
    ("unknown", "undelivered"),
    ("unknown", "failed"),
    ("unknown", "expired"),
    ("accepted", "sent"),
    ("accepted", "delivered"),
    ("accepted", "undelivered"),
    ("sent", "delivered"),
    ("sent", "undelivered"),
}

REPORTS = st.lists(st.sampled_from(list(Status)), max_size=12)


@pytest.mark.parametrize(("current", "new"), list(product(Status, Status)), ids=str)
def test_advance_takes_the_allowed_steps_and_no_other(current: Status, new: Status) -> None:
    expected = new if (current.value, new.value) in ALLOWED else current
    assert advance(current, new) is expected


@pytest.mark.parametrize(("current", "new"), list(product(Status, Status)), ids=str)
def test_report_that_comes_twice_changes_nothing_more(current: Status, new: Status) -> None:
    once = advance(current, new)
    assert advance(once, new) is once


@settings(deadline=None)
@given(REPORTS)
def test_message_that_ended_stays_as_it_ended(reports: list[Status]) -> None:
    for end in FINAL:
        status = end
        for report in reports:
            status = advance(status, report)
        assert status is end


@settings(deadline=None)
@given(REPORTS)
def test_message_a_gateway_took_is_never_sent_again(reports: list[Status]) -> None:
    status = Status.ACCEPTED
    for report in reports:
        status = advance(status, report)
        assert status not in UNDERWAY


@settings(deadline=None)
@given(st.permutations([Status.SENT, Status.DELIVERED]))
def test_receipts_in_any_order_end_in_delivered(receipts: list[Status]) -> None:
    status = Status.ACCEPTED
    for receipt in receipts:
        status = advance(status, receipt)
    assert status is Status.DELIVERED


def test_groups_of_statuses() -> None:
    assert {
        Status.DELIVERED,
        Status.UNDELIVERED,
        Status.FAILED,
        Status.EXPIRED,
        Status.CANCELLED,
    } == FINAL
    assert {Status.QUEUED, Status.SENDING, Status.UNKNOWN} == UNDERWAY
    assert {Status.ACCEPTED, Status.SENT} == WAITING_FOR_RECEIPT
    assert {Status.ACCEPTED, Status.SENT, Status.DELIVERED} == TOLD
    assert set(Status) == FINAL | UNDERWAY | WAITING_FOR_RECEIPT


# --- when to try again


def wait_s(attempts: int, share: float, **said: float) -> float:
    asked = {"base_s": 20.0, "cap_s": 1800.0} | said
    at = next_attempt(NOW, attempts, jitter=lambda: share, **asked)
    return (at - NOW) / timedelta(seconds=1)


@pytest.mark.parametrize(
    ("attempts", "longest"),
    [(0, 20), (1, 40), (2, 80), (6, 1280), (7, 1800), (20, 1800), (10_000, 1800)],
)
def test_longest_wait_doubles_up_to_the_cap(attempts: int, longest: float) -> None:
    # our arithmetic: 20 s x 2^attempts, at most 1800 s
    assert wait_s(attempts, 1.0) == longest
    assert wait_s(attempts, 0.25) == longest / 4
    assert wait_s(attempts, 0.0) == 0.0


@pytest.mark.parametrize(("asked_for", "expected"), [(0.0, 10.0), (10.0, 10.0), (90.0, 90.0)])
def test_wait_is_never_shorter_than_the_gateway_asked_for(
    asked_for: float, expected: float
) -> None:
    assert wait_s(1, 0.25, at_least_s=asked_for) == expected


def test_wait_the_gateway_asked_for_may_pass_the_cap() -> None:
    assert wait_s(3, 0.5, at_least_s=7200.0) == 7200.0


@settings(deadline=None)
@given(
    st.integers(0, 10_000),
    st.floats(0, 1, exclude_max=True),
    st.floats(1, 600),
    st.floats(1, 86_400),
    st.floats(0, 86_400),
)
def test_next_attempt_lies_between_its_bounds(
    attempts: int, share: float, base_s: float, cap_s: float, at_least_s: float
) -> None:
    at = next_attempt(
        NOW, attempts, base_s=base_s, cap_s=cap_s, jitter=lambda: share, at_least_s=at_least_s
    )
    wait = (at - NOW) / timedelta(seconds=1)
    assert at.tzinfo is UTC
    assert at_least_s - 1e-6 <= wait <= max(at_least_s, cap_s) + 1e-6
