"""Many messages queued at once are queued as each would be by itself."""

from __future__ import annotations

from typing import Any

import pytest
from factories import Home, build_message, day
from sqlmodel import col, select

from alerts.store import drafts, outbox
from alerts.store.drafts import Draft, enqueue_all
from alerts.store.outbox import FieldStart
from alerts.store.session import Sessions
from alerts.store.tables import DeliveryEvent, MessageField, OutboxMessage


def draft(home: Home, key: str, **changes: Any) -> Draft:
    return Draft(build_message(home, key, **changes), [FieldStart(home.field_id, day(3))])


def queued(sessions: Sessions) -> list[tuple[str, str, list[str], int]]:
    """Key, text, states it went through and fields of each message."""
    with sessions.read() as session:
        rows = session.exec(select(OutboxMessage).order_by(col(OutboxMessage.id))).all()
        events = session.exec(select(DeliveryEvent).order_by(col(DeliveryEvent.id))).all()
        fields = session.exec(select(MessageField)).all()
    return [
        (
            row.dedupe_key,
            row.text,
            [event.status for event in events if event.message_id == row.id],
            sum(field.message_id == row.id for field in fields),
        )
        for row in rows
    ]


def test_new_messages_are_queued_in_order_with_fields_and_event(
    sessions: Sessions, home: Home
) -> None:
    with sessions.write() as session:
        enqueue_all(session, [draft(home, f"start:{k}", text=f"word {k}") for k in range(30)])
    assert queued(sessions) == [(f"start:{k}", f"word {k}", ["queued"], 1) for k in range(30)]


def test_a_waiting_message_gets_the_newer_words(sessions: Sessions, home: Home) -> None:
    with sessions.write() as session:
        enqueue_all(session, [draft(home, "start:1", text="old")])
    with sessions.write() as session:
        enqueue_all(session, [draft(home, "start:1", text="new"), draft(home, "start:2", text="b")])
    assert queued(sessions) == [("start:1", "new", ["queued"], 1), ("start:2", "b", ["queued"], 1)]


def test_one_that_left_is_not_repeated(sessions: Sessions, home: Home) -> None:
    with sessions.write() as session:
        enqueue_all(session, [draft(home, "start:1", text="sent", attempts=1)])
        enqueue_all(session, [draft(home, "start:1", text="again")])
    assert queued(sessions) == [("start:1", "sent", ["queued"], 1)]


def test_where_somebody_was_faster_each_is_queued_by_itself(
    sessions: Sessions, home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if the other's message had come between the question and the insert."""
    with sessions.write() as session:
        outbox.enqueue(session, build_message(home, "start:2", text="theirs", attempts=1))
    monkeypatch.setattr(drafts, "_known", lambda session, keys: set())
    with sessions.write() as session:
        enqueue_all(session, [draft(home, f"start:{k}", text="ours") for k in (1, 2, 3)])
    assert [(key, text) for key, text, _, _ in sorted(queued(sessions))] == [
        ("start:1", "ours"),
        ("start:2", "theirs"),
        ("start:3", "ours"),
    ]
    with sessions.read() as session:
        events = session.exec(select(DeliveryEvent)).all()
    assert len(events) == 3


def test_nothing_to_queue_is_nothing_done(sessions: Sessions) -> None:
    with sessions.write() as session:
        enqueue_all(session, [])
    assert queued(sessions) == []
