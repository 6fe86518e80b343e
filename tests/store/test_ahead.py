from __future__ import annotations

from datetime import timedelta

import pytest
from factories import NOON, Home, build_message
from sqlmodel import select

from alerts.domain.delivery import Status
from alerts.store import areas, outbox
from alerts.store.ahead import bring_back
from alerts.store.session import Sessions
from alerts.store.tables import Area, OutboxMessage

YEAR = timedelta(days=365)
LEASE = timedelta(minutes=5)


def set_area(sessions: Sessions, **values: object) -> None:
    with sessions.write() as session:
        area = session.exec(select(Area)).one()
        for name, value in values.items():
            setattr(area, name, value)


def put(sessions: Sessions, home: Home, **values: object) -> int:
    with sessions.write() as session:
        message = build_message(home, **values)
        session.add(message)
        session.flush()
        assert message.id is not None
        return message.id


def back(sessions: Sessions) -> int:
    with sessions.write() as session:
        return bring_back(session, NOON)


def message(sessions: Sessions) -> OutboxMessage:
    with sessions.read() as session:
        return session.exec(select(OutboxMessage)).one()


def test_area_put_off_for_a_year_is_due_now(sessions: Sessions, home: Home) -> None:
    set_area(sessions, due_at=NOON + YEAR, lease_owner="gone", lease_until=NOON + YEAR)
    assert back(sessions) == 2
    with sessions.write() as session:
        [claimed] = areas.claim_due(session, owner="me", now=NOON, lease=LEASE)
        assert claimed.lease_owner == "me"


@pytest.mark.parametrize("ahead", [timedelta(), timedelta(hours=25)])
def test_area_of_the_next_morning_waits_for_it(
    sessions: Sessions, home: Home, ahead: timedelta
) -> None:
    set_area(sessions, due_at=NOON + ahead, lease_owner="other", lease_until=NOON + LEASE)
    assert back(sessions) == 0


def test_message_that_waits_rightly_is_left_alone(sessions: Sessions, home: Home) -> None:
    later = NOON + timedelta(hours=25)
    put(sessions, home, not_before=later, next_attempt_at=later)
    assert back(sessions) == 0


def test_message_put_off_for_a_year_may_go_now(sessions: Sessions, home: Home) -> None:
    put(sessions, home, not_before=NOON + YEAR, next_attempt_at=NOON + YEAR)
    assert back(sessions) == 2
    with sessions.write() as session:
        lease = timedelta(minutes=3)
        [taken] = outbox.claim(session, channel="sms", owner="me", now=NOON, lease=lease, limit=9)
    assert taken.attempts == 1


def test_attempt_leased_for_a_year_counts_as_lapsed(sessions: Sessions, home: Home) -> None:
    put(sessions, home, status=Status.SENDING, attempts=1, lease_until=NOON + YEAR)
    assert back(sessions) == 1
    with sessions.write() as session:
        assert len(outbox.lapsed(session, NOON + timedelta(seconds=1))) == 1


def test_unclear_message_is_asked_about_again(sessions: Sessions, home: Home) -> None:
    put(sessions, home, status=Status.UNKNOWN, attempts=1, next_attempt_at=NOON + YEAR)
    back(sessions)
    assert message(sessions).next_attempt_at == NOON


def test_message_made_in_another_year_is_cancelled_and_gives_its_key_free(
    sessions: Sessions, home: Home
) -> None:
    moments = dict.fromkeys(("created_at", "not_before", "next_attempt_at"), NOON + YEAR)
    put(sessions, home, **moments, expires_at=NOON + YEAR + timedelta(days=2))
    assert back(sessions) == 1
    found = message(sessions)
    assert (found.status, found.dedupe_key == "start:1") == (Status.CANCELLED, False)
    with sessions.write() as session:
        assert outbox.enqueue(session, build_message(home)) is not None
