"""Texts about no farm wait for the day once they are late."""

from __future__ import annotations

from datetime import UTC, datetime, time

import pytest
from factories import MONDAY, NOON, ZONE, Home, build_message, day

from alerts.store import night, outbox
from alerts.store.session import Sessions
from alerts.store.tables import OutboxMessage


def moment(hour: int, minute: int = 0) -> datetime:
    return datetime.combine(MONDAY, time(hour, minute), tzinfo=ZONE).astimezone(UTC)


EIGHT_NEXT = datetime.combine(day(1), time(8), tzinfo=ZONE).astimezone(UTC)


def held(sessions: Sessions, home: Home, at: datetime, **changes: object) -> datetime:
    """When the message may leave, after a look at that moment."""
    values = {"kind": "confirm", "farm_id": None, "attempts": 1, "time_zone": ZONE.key}
    message = build_message(home, **{**values, **changes})
    with sessions.write() as session:
        outbox.enqueue(session, message)
        night.hold_for_the_day(session, message.channel, at)
    with sessions.read() as session:
        return session.get_one(OutboxMessage, 1).not_before


@pytest.mark.parametrize("kind", ["confirm", "welcome", "new_link"])
def test_text_that_a_gateway_put_off_does_not_ring_at_night(
    sessions: Sessions, home: Home, kind: str
) -> None:
    assert held(sessions, home, moment(21), kind=kind) == EIGHT_NEXT


@pytest.mark.parametrize("hour", [13, 20])
def test_late_text_leaves_by_day(sessions: Sessions, home: Home, hour: int) -> None:
    assert held(sessions, home, moment(hour, 59)) == NOON


@pytest.mark.parametrize(
    "changes",
    [{"kind": "reply"}, {"kind": "stopped"}, {"kind": "help"}, {"attempts": 0}, {"time_zone": ""}],
)
def test_answers_and_what_was_just_asked_for_leave_at_once(
    sessions: Sessions, home: Home, changes: dict[str, object]
) -> None:
    assert held(sessions, home, moment(23), **changes) == NOON


def test_text_that_an_operator_sends_again_waits_too(sessions: Sessions, home: Home) -> None:
    assert held(sessions, home, moment(23), attempts=0, resent_of=1) == EIGHT_NEXT


def test_email_rings_nobody(sessions: Sessions, home: Home) -> None:
    assert held(sessions, home, moment(23), channel="email") == NOON
