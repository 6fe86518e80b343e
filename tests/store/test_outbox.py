from __future__ import annotations

import threading
from datetime import datetime, timedelta

import pytest
from factories import MONDAY, NOON, OTHER_PHONE, PHONE, Home, build_message, day, put_home
from sqlmodel import select

from alerts.domain.decision import Kind
from alerts.domain.delivery import Status
from alerts.store import outbox, people, told_farms
from alerts.store.outbox import FieldStart
from alerts.store.session import Sessions
from alerts.store.tables import Area, DeliveryEvent, Farm, MessageField, OutboxMessage

LEASE = timedelta(minutes=3)


def enqueue(
    sessions: Sessions, message: OutboxMessage, fields: list[FieldStart] | None = None
) -> OutboxMessage | None:
    with sessions.write() as session:
        return outbox.enqueue(session, message, fields or [])


def claim(
    sessions: Sessions,
    owner: str = "one",
    now: datetime = NOON,
    limit: int = 10,
    channel: str = "sms",
) -> list[OutboxMessage]:
    with sessions.write() as session:
        return outbox.claim(
            session, channel=channel, owner=owner, now=now, lease=LEASE, limit=limit
        )


def settle(sessions: Sessions, message: OutboxMessage, *statuses: str) -> list[bool]:
    with sessions.write() as session:
        row = outbox.get(session, message.id)
        return [outbox.settle(session, row, Status(status), NOON) for status in statuses]


def stored(sessions: Sessions) -> list[OutboxMessage]:
    with sessions.read() as session:
        return list(session.exec(select(OutboxMessage).order_by(OutboxMessage.id)))


def events(sessions: Sessions) -> list[str]:
    with sessions.read() as session:
        return list(session.exec(select(DeliveryEvent.status).order_by(DeliveryEvent.id)))


# ------------------------------------------------------------------------- queueing


def test_second_message_of_one_key_replaces_the_words_while_untried(
    sessions: Sessions, home: Home
) -> None:
    first = enqueue(sessions, build_message(home, text="old words", start_on=day(3)))
    newer = build_message(home, kind="start", text="new words", start_on=day(1))
    assert enqueue(sessions, newer).id == first.id
    [row] = stored(sessions)
    assert (row.kind, row.text, row.start_on) == ("start", "new words", day(1))
    assert (row.mark, row.public_id, row.created_at) == (first.mark, first.public_id, NOON)


def test_replaced_words_replace_the_fields_they_tell_of(sessions: Sessions, home: Home) -> None:
    other = put_home(sessions, farm="Stone Row", field="Creek")
    enqueue(sessions, build_message(home), [FieldStart(home.field_id, day(3))])
    enqueue(
        sessions,
        build_message(home),
        [FieldStart(other.field_id, day(1)), FieldStart(home.field_id, None)],
    )
    with sessions.read() as session:
        told = session.exec(select(MessageField).order_by(MessageField.position)).all()
    assert [(f.field_id, f.position, f.start_on) for f in told] == [
        (other.field_id, 0, day(1)),
        (home.field_id, 1, None),
    ]


@pytest.mark.parametrize("steps", [["queued"], ["accepted"], ["unknown"], ["failed"]])
def test_message_that_was_tried_is_neither_replaced_nor_repeated(
    sessions: Sessions, home: Home, steps: list[str]
) -> None:
    """After an attempt a second wording under the same key could reach the person twice."""
    first = enqueue(sessions, build_message(home, text="old words"))
    claim(sessions)
    settle(sessions, first, *steps)
    assert enqueue(sessions, build_message(home, text="new words")) is None
    assert [row.text for row in stored(sessions)] == ["old words"]


def test_messages_of_other_keys_stand_beside_each_other(sessions: Sessions, home: Home) -> None:
    enqueue(sessions, build_message(home, "start:1"))
    enqueue(sessions, build_message(home, "start:2"))
    assert len(stored(sessions)) == 2


# ------------------------------------------------------------------------- claiming


def test_claimed_message_is_sending_and_counted_as_tried(sessions: Sessions, home: Home) -> None:
    enqueue(sessions, build_message(home))
    [message] = claim(sessions, "one")
    assert (message.status, message.attempts) == ("sending", 1)
    assert (message.lease_owner, message.lease_until) == ("one", NOON + LEASE)
    assert claim(sessions, "two") == []


def test_two_workers_share_the_messages_and_none_goes_twice(sessions: Sessions, home: Home) -> None:
    for number in range(12):
        enqueue(sessions, build_message(home, f"start:{number}"))
    together = threading.Barrier(3)
    claimed: list[int] = []

    def work(owner: str) -> None:
        together.wait()
        while mine := claim(sessions, owner, limit=2):
            claimed.extend(message.id for message in mine)

    workers = [threading.Thread(target=work, args=(f"worker {n}",)) for n in range(3)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert sorted(claimed) == [row.id for row in stored(sessions)]
    assert {row.attempts for row in stored(sessions)} == {1}


def test_claim_takes_no_more_than_the_limit_and_the_longest_due_first(
    sessions: Sessions, home: Home
) -> None:
    for minutes in (3, 1, 2):
        at = NOON - timedelta(minutes=minutes)
        enqueue(
            sessions,
            build_message(home, f"start:{minutes}", not_before=at, next_attempt_at=at),
        )
    assert [m.dedupe_key for m in claim(sessions, limit=2)] == ["start:3", "start:2"]
    assert [m.dedupe_key for m in claim(sessions, limit=2)] == ["start:1"]


def test_claim_of_one_channel_leaves_the_other(sessions: Sessions, home: Home) -> None:
    enqueue(sessions, build_message(home, channel="email", to_address="ada@example.org"))
    assert claim(sessions) == []
    assert len(claim(sessions, channel="email")) == 1


@pytest.mark.parametrize("name", ["not_before", "next_attempt_at"])
def test_message_is_not_claimed_before_its_time(sessions: Sessions, home: Home, name: str) -> None:
    later = NOON + timedelta(hours=1)
    enqueue(sessions, build_message(home, **{name: later}))
    assert claim(sessions, now=later - timedelta(seconds=1)) == []
    assert len(claim(sessions, now=later)) == 1


def test_message_is_not_claimed_once_it_is_useless(sessions: Sessions, home: Home) -> None:
    enqueue(sessions, build_message(home, expires_at=NOON))
    assert claim(sessions) == []
    with sessions.read() as session:
        assert [m.status for m in outbox.stale(session, NOON)] == ["queued"]


def test_lapsed_messages_are_those_whose_lease_ran_out(sessions: Sessions, home: Home) -> None:
    enqueue(sessions, build_message(home))
    claim(sessions)
    with sessions.read() as session:
        assert outbox.lapsed(session, NOON + LEASE) == []
        assert len(outbox.lapsed(session, NOON + LEASE + timedelta(seconds=1))) == 1


def test_message_outside_its_farms_window_is_put_off_until_it_opens(
    sessions: Sessions, home: Home
) -> None:
    """Chicago keeps UTC-5 in May: 20:00 there is 01:00 UTC, 07:00 the next morning 12:00 UTC."""
    enqueue(sessions, build_message(home))
    closed = NOON + timedelta(hours=8)
    with sessions.write() as session:
        outbox.hold_closed_windows(session, "sms", closed)
    [row] = stored(sessions)
    assert row.not_before == NOON + timedelta(hours=19)
    assert (row.status, row.attempts) == ("queued", 0)


def test_message_inside_its_farms_window_is_not_put_off(sessions: Sessions, home: Home) -> None:
    enqueue(sessions, build_message(home))
    with sessions.write() as session:
        outbox.hold_closed_windows(session, "sms", NOON + timedelta(hours=7, minutes=59))
    assert stored(sessions)[0].not_before == NOON


def test_window_of_one_farm_does_not_hold_the_message_of_another(
    sessions: Sessions, home: Home
) -> None:
    """At 20:30 in Chicago it is 18:30 in Los Angeles."""
    west = put_home(sessions, farm="Stone Row")
    with sessions.write() as session:
        area = Area(name="Otter Bend", time_zone="America/Los_Angeles")
        session.add(area)
        session.flush()
        session.get_one(Farm, west.farm_id).area_id = area.id
    enqueue(sessions, build_message(home, "start:east"))
    enqueue(sessions, build_message(west, "start:west"))
    evening = NOON + timedelta(hours=8, minutes=30)
    with sessions.write() as session:
        outbox.hold_closed_windows(session, "sms", evening)
    assert [m.dedupe_key for m in claim(sessions, now=evening)] == ["start:west"]


def test_message_of_no_farm_is_not_held(sessions: Sessions, home: Home) -> None:
    """A digest or a reminder has an hour of its own."""
    enqueue(sessions, build_message(home, kind="digest", farm_id=None))
    night = NOON + timedelta(hours=12)
    with sessions.write() as session:
        outbox.hold_closed_windows(session, "sms", night)
    assert len(claim(sessions, now=night)) == 1


# ------------------------------------------------------------------------- settling


@pytest.mark.parametrize(
    "steps",
    [
        ["accepted", "sent", "delivered"],
        ["accepted", "undelivered"],
        ["unknown", "queued"],
        ["unknown", "accepted"],
        ["unknown", "expired"],
        ["failed"],
        ["cancelled"],
    ],
)
def test_allowed_steps_are_taken_and_kept_as_events(
    sessions: Sessions, home: Home, steps: list[str]
) -> None:
    message = enqueue(sessions, build_message(home))
    claim(sessions)
    assert settle(sessions, message, *steps) == [True] * len(steps)
    assert stored(sessions)[0].status == steps[-1]
    assert events(sessions) == ["queued", "sending", *steps]


@pytest.mark.parametrize(
    ("reached", "refused"),
    [
        (["accepted", "delivered"], "sent"),
        (["accepted", "delivered"], "undelivered"),
        (["accepted"], "queued"),
        (["accepted"], "accepted"),
        (["failed"], "accepted"),
        (["cancelled"], "sending"),
    ],
)
def test_refused_step_changes_nothing_and_leaves_no_event(
    sessions: Sessions, home: Home, reached: list[str], refused: str
) -> None:
    message = enqueue(sessions, build_message(home))
    claim(sessions)
    settle(sessions, message, *reached)
    before = events(sessions)
    assert settle(sessions, message, refused) == [False]
    assert stored(sessions)[0].status == reached[-1]
    assert events(sessions) == before


def test_settled_message_gives_its_lease_back_and_keeps_why(sessions: Sessions, home: Home) -> None:
    enqueue(sessions, build_message(home))
    [message] = claim(sessions)
    with sessions.write() as session:
        row = outbox.get(session, message.id)
        outbox.settle(session, row, Status.FAILED, NOON, code="21211", detail="no such number")
    [row] = stored(sessions)
    assert (row.lease_owner, row.lease_until) == ("", None)
    assert (row.error_code, row.error_detail) == ("21211", "no such number")
    assert row.settled_at == NOON
    assert row.accepted_at is None


def test_next_claim_clears_the_error_of_the_last_attempt(sessions: Sessions, home: Home) -> None:
    enqueue(sessions, build_message(home))
    [message] = claim(sessions)
    with sessions.write() as session:
        row = outbox.get(session, message.id)
        outbox.settle(session, row, Status.QUEUED, NOON, code="429", detail="too many")
    [again] = claim(sessions)
    assert (again.error_code, again.error_detail, again.attempts) == ("", "", 2)
    with sessions.read() as session:
        kept = session.exec(select(DeliveryEvent.code).order_by(DeliveryEvent.id)).all()
    assert kept == ["", "", "429", ""]


# ------------------------------------------------------------------------ cancelling


def cancel(sessions: Sessions, home: Home, **how: object) -> int:
    with sessions.write() as session:
        return outbox.cancel_waiting(session, home.farm_id, NOON, "was cut", **how)


def test_cancelled_untried_message_gives_its_key_free(sessions: Sessions, home: Home) -> None:
    first = enqueue(sessions, build_message(home))
    assert cancel(sessions, home) == 1
    second = enqueue(sessions, build_message(home, text="new words"))
    assert second is not None
    assert second.id != first.id
    assert [(row.status, row.error_detail) for row in stored(sessions)] == [
        ("cancelled", "was cut"),
        ("queued", ""),
    ]


def test_key_can_be_freed_more_than_once(sessions: Sessions, home: Home) -> None:
    for _ in range(3):
        assert enqueue(sessions, build_message(home)) is not None
        assert cancel(sessions, home) == 1


def test_cancelled_tried_message_keeps_its_key(sessions: Sessions, home: Home) -> None:
    """Its mark may be known at the gateway; a new message must not be taken for it."""
    first = enqueue(sessions, build_message(home))
    claim(sessions)
    settle(sessions, first, "queued")
    assert cancel(sessions, home) == 1
    assert enqueue(sessions, build_message(home)) is None


def test_cancelling_the_untried_spares_the_tried(sessions: Sessions, home: Home) -> None:
    tried = enqueue(sessions, build_message(home, "start:1"))
    claim(sessions)
    settle(sessions, tried, "queued")
    enqueue(sessions, build_message(home, "start:2"))
    assert cancel(sessions, home, untried_only=True) == 1
    assert [row.status for row in stored(sessions)] == ["queued", "cancelled"]


def test_cancelling_earlier_windows_spares_the_present_one(sessions: Sessions, home: Home) -> None:
    enqueue(sessions, build_message(home, "start:1", told_on=MONDAY))
    enqueue(sessions, build_message(home, "start:2", told_on=day(1)))
    assert cancel(sessions, home, before=day(1)) == 1
    assert [row.status for row in stored(sessions)] == ["cancelled", "queued"]


def test_cancelling_spares_what_left_other_farms_and_other_kinds(
    sessions: Sessions, home: Home
) -> None:
    other = put_home(sessions, farm="Stone Row")
    left = enqueue(sessions, build_message(home, "start:1"))
    claim(sessions)
    settle(sessions, left, "accepted")
    enqueue(sessions, build_message(other, "start:2"))
    enqueue(sessions, build_message(home, "silent:1", kind="no_results"))
    assert cancel(sessions, home) == 0
    assert [row.status for row in stored(sessions)] == ["accepted", "queued", "queued"]


# --------------------------------------------------------------------------- reading


def told(sessions: Sessions, home: Home, season: int = 2027):
    with sessions.read() as session:
        return told_farms.by_farm(session, [home.farm_id], season)


@pytest.mark.parametrize(
    ("steps", "counts"),
    [
        (None, False),  # never tried: newer words replace it
        ([], True),  # sending now
        (["queued"], True),  # put off by the gateway, on its way again
        (["unknown"], True),
        (["accepted"], True),
        (["accepted", "sent"], True),
        (["accepted", "delivered"], True),
        (["accepted", "undelivered"], False),
        (["failed"], False),
        (["cancelled"], False),
    ],
)
def test_farm_counts_as_told_by_what_became_of_the_message(
    sessions: Sessions, home: Home, steps: list[str] | None, counts: bool
) -> None:
    message = enqueue(sessions, build_message(home, start_on=day(3), told_on=MONDAY))
    if steps is not None:
        claim(sessions)
        settle(sessions, message, *steps)
    found = told(sessions, home)
    assert ((home.farm_id, 1) in found) is counts
    if counts:
        known = found[home.farm_id, 1]
        assert (known.start_on, known.on, known.kinds) == (day(3), MONDAY, {Kind.COMING})


def send(sessions: Sessions, message: OutboxMessage) -> None:
    enqueue(sessions, message)
    claim(sessions)
    settle(sessions, stored(sessions)[-1], "accepted")


def test_told_knows_the_newest_date_and_every_kind(sessions: Sessions, home: Home) -> None:
    send(sessions, build_message(home, "1", kind="coming", start_on=day(5), told_on=day(0)))
    send(sessions, build_message(home, "2", kind="start", start_on=day(2), told_on=day(1)))
    known = told(sessions, home)[home.farm_id, 1]
    assert (known.start_on, known.on) == (day(2), day(1))
    assert known.kinds == {Kind.COMING, Kind.START}


def test_told_keeps_cuttings_and_seasons_apart(sessions: Sessions, home: Home) -> None:
    send(sessions, build_message(home, "1", cutting=1))
    send(sessions, build_message(home, "2", cutting=2, kind="start"))
    send(sessions, build_message(home, "3", cutting=1, season=2026, kind="past"))
    found = told(sessions, home)
    assert {key: known.kinds for key, known in found.items()} == {
        (home.farm_id, 1): {Kind.COMING},
        (home.farm_id, 2): {Kind.START},
    }


def test_told_takes_no_other_kind_for_a_start_date(sessions: Sessions, home: Home) -> None:
    send(sessions, build_message(home, "1", kind="no_results", start_on=None))
    assert told(sessions, home) == {}


def test_field_was_last_told_the_newest_date_that_left(sessions: Sessions, home: Home) -> None:
    enqueue(
        sessions,
        build_message(home, "1", start_on=day(3), told_on=MONDAY),
        [FieldStart(home.field_id, day(4))],
    )
    claim(sessions)
    settle(sessions, stored(sessions)[-1], "accepted")
    enqueue(
        sessions,
        build_message(home, "2", start_on=day(6), told_on=day(1)),
        [FieldStart(home.field_id, day(7))],
    )
    with sessions.read() as session:
        known = told_farms.by_field(session, [home.farm_id])[home.field_id]
    assert (known.start_on, known.farm_start_on, known.on) == (day(4), day(3), MONDAY)


def test_address_was_written_to_once_an_attempt_was_made(sessions: Sessions, home: Home) -> None:
    enqueue(sessions, build_message(home))
    with sessions.read() as session:
        assert people.written_to(session, "sms", [PHONE]) == frozenset()
    claim(sessions)
    with sessions.read() as session:
        assert people.written_to(session, "sms", [PHONE, OTHER_PHONE]) == {PHONE}
        assert people.written_to(session, "email", [PHONE]) == frozenset()


def test_person_is_spoken_to_in_the_window_of_a_message_that_stands(
    sessions: Sessions, home: Home
) -> None:
    def spoken(on=MONDAY, channel: str = "sms") -> bool:
        with sessions.read() as session:
            return people.is_spoken_to(session, home.farm_id, home.person_id, channel, on)

    assert not spoken()
    enqueue(sessions, build_message(home))
    assert spoken()
    assert not spoken(on=day(1))
    assert not spoken(channel="email")
    cancel(sessions, home)
    assert not spoken()


def test_message_of_a_waiting_receipt_is_an_accepted_text_of_late(
    sessions: Sessions, home: Home
) -> None:
    send(sessions, build_message(home, "1"))
    enqueue(sessions, build_message(home, "2"))
    with sessions.read() as session:
        assert [m.dedupe_key for m in outbox.awaiting_receipt(session, NOON)] == ["1"]
        assert outbox.awaiting_receipt(session, NOON + timedelta(seconds=1)) == []
