from __future__ import annotations

from datetime import timedelta

from factories import MONDAY, NOON, PHONE, Home, day

from alerts.domain.decision import Kind
from alerts.messages.letters import Letter
from alerts.messages.marks import mark
from alerts.services.delivery.outgoing import About, To, attachment_row, outbox_row, outgoing
from alerts.store import outbox
from alerts.store.session import Sessions
from alerts.store.tables import OutboxMessage

LETTER = Letter("Start soon", "Start about Thu May 13.", "<p>Start soon</p>")


def row(home: Home, key: str = "start:1", **changes: object) -> OutboxMessage:
    values = {"now": NOON, "told_on": MONDAY, "expires_at": NOON + timedelta(hours=5)}
    to = To(home.person_id, "sms", PHONE)
    return outbox_row(key, Kind.COMING, to, LETTER, **{**values, **changes})  # type: ignore[arg-type]


def test_message_leaves_at_once_unless_it_is_to_wait(home: Home) -> None:
    soon = row(home)
    assert (soon.created_at, soon.not_before, soon.next_attempt_at) == (NOON, NOON, NOON)
    evening = NOON + timedelta(hours=3)
    later = row(home, not_before=evening)
    assert (later.created_at, later.not_before, later.next_attempt_at) == (NOON, evening, evening)


def test_key_gives_id_and_mark_of_its_own(home: Home) -> None:
    one, other = row(home), row(home, "start:2")
    assert one.public_id == row(home).public_id != other.public_id
    assert (one.mark, other.mark) == (mark("start:1"), mark("start:2"))
    assert row(home, marked=False).mark == ""


def test_message_about_a_harvest_names_it_and_another_names_none(home: Home) -> None:
    about = row(home, about=About(home.farm_id, MONDAY.year, 1, day(3)))
    assert (about.farm_id, about.season, about.cutting, about.start_on) == (
        home.farm_id, 2027, 1, day(3),
    )  # fmt: skip
    alone = row(home)
    assert (alone.farm_id, alone.season, alone.cutting, alone.start_on) == (None,) * 4


def test_stored_message_comes_back_as_it_was_put(sessions: Sessions, home: Home) -> None:
    picture = attachment_row("chart.png", "image/png", b"\x89PNG", "chart@cutcall")
    with sessions.write() as session:
        outbox.enqueue(session, row(home, attachments=[picture]))
        assert outbox.enqueue(session, row(home, attachments=[picture])) is not None
    with sessions.read() as session:
        [stored] = outbox.recent(session, 10)
        sent = outgoing(stored, "")
    assert (sent.to, sent.subject, sent.text, sent.html) == (
        PHONE, LETTER.subject, LETTER.text, LETTER.html,
    )  # fmt: skip
    [chart] = sent.attachments
    assert (chart.content, chart.content_id) == (b"\x89PNG", "chart@cutcall")
