"""A text that cannot reach its number goes by email instead, once, and only where it may."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import pytest
from factories import MONDAY, NOON, OTHER_PHONE, PHONE, Home, Service, build_message, day, put_home

from alerts.domain.decision import NEWS, Kind
from alerts.domain.delivery import Status
from alerts.messages.marks import mark
from alerts.services.delivery.fallbacks import INSTEAD, FallbackRules, queue_fallbacks
from alerts.store import gateways, opt_outs, outbox, people, told_farms
from alerts.store.outbox import FieldStart
from alerts.store.tables import (
    Farm,
    FarmField,
    MessageField,
    OptOut,
    OutboxMessage,
    Person,
)
from alerts.transports.base import Delivery, Outcome

MAIL = "ada@example.org"
LOST = ("sending", "failed")
UNDELIVERED = ("sending", "accepted", "undelivered")
TRIED = ("sending", "queued")
UNCLEAR = ("sending", "unknown")


@pytest.fixture
def farm(service: Service) -> Home:
    """A farmer told by text, who wants an email where no text gets through."""
    home = put_home(service.sessions)
    with service.sessions.write() as session:
        person = session.get_one(Person, home.person_id)
        person.email, person.email_if_unreached = MAIL, True
        session.add(person)
        for channel, address in (("sms", PHONE), ("email", MAIL)):
            people.put_consent(
                session,
                person,
                channel=channel,
                address=address,
                given_on=date(2027, 3, 20),
                how="signed form",
                now=NOON,
            )
    return home


def rules(service: Service) -> FallbackRules:
    parts, figures = service.parts, service.parts.schedule.fallback
    return FallbackRules(
        templates=parts.templates,
        links=parts.link_rules(),
        public_url=parts.settings.public_url,
        secret=parts.secret,
        after=timedelta(hours=figures.after_h),
        before_expiry=timedelta(hours=figures.before_expiry_h),
        at_least=timedelta(minutes=figures.at_least_min),
    )


def put(
    service: Service, home: Home, states: Sequence[str], key: str = "start:1", **changes: object
) -> OutboxMessage:
    """A text that went through these states."""
    with service.sessions.write() as session:
        row = outbox.enqueue(
            session, build_message(home, key, **changes), [FieldStart(home.field_id, day(3))]
        )
        assert row is not None
        for status in states:
            row.attempts += status == "sending"
            assert outbox.settle(session, row, Status(status), service.clock(), detail="")
    return row


def look(service: Service) -> int:
    return queue_fallbacks(service.sessions, rules(service), service.clock())


def emails(service: Service) -> list[OutboxMessage]:
    return [message for message in service.messages() if message.channel == "email"]


def change_person(service: Service, **changes: object) -> None:
    with service.sessions.write() as session:
        person = session.get_one(Person, 1)
        for name, value in changes.items():
            setattr(person, name, value)
        session.add(person)


# ----------------------------------------------------------------------- one that failed


@pytest.mark.parametrize("states", [LOST, UNDELIVERED])
def test_text_that_did_not_arrive_is_said_by_email_once(
    service: Service, farm: Home, states: tuple[str, ...]
) -> None:
    text = put(service, farm, states)
    assert [look(service), look(service)] == [1, 0]
    [email] = emails(service)
    assert (email.to_address, email.fallback_of) == (MAIL, text.id)
    assert email.dedupe_key == f"instead:{text.public_id}"
    same = ("kind", "farm_id", "season", "cutting", "start_on", "told_on", "expires_at")
    assert [getattr(email, name) for name in same] == [getattr(text, name) for name in same]
    told = [(row.message_id, row.field_id, row.start_on) for row in service.rows(MessageField)]
    assert told == [(text.id, farm.field_id, day(3)), (email.id, farm.field_id, day(3))]
    assert service.steps(text)[-1] == states[-1]


def test_email_says_the_message_first_and_then_what_to_check(service: Service, farm: Home) -> None:
    put(service, farm, LOST)
    look(service)
    service.send()
    [mail] = service.mail.attempts
    assert mail.subject == (
        "Plum Bottom: start cutting about Thu May 13 (by email instead of a text)"
    )
    first, _, rest = mail.text.partition("\n\n")
    assert first == "Cutcall Plum Bottom: start cutting about Thu May 13."
    said = " ".join(rest.split())
    assert "your number ending in 0143 said, which did not arrive" in said
    assert "check that the phone is on" in said
    assert "https://cutcall.example.org/farm/" in said
    assert "Stop these emails: https://cutcall.example.org/stop/" in said
    assert mail.text.endswith(f"\n{mark(emails(service)[0].dedupe_key)}\n")
    assert "start cutting about Thu May 13." in mail.html
    assert "ending in 0143" in mail.html
    assert mail.unsubscribe_url
    assert PHONE not in mail.text + mail.html


def test_email_is_in_the_language_of_the_person(service: Service, farm: Home) -> None:
    change_person(service, language="es")
    put(service, farm, LOST)
    look(service)
    [email] = emails(service)
    assert email.subject.endswith("(por correo en lugar de un mensaje de texto)")
    assert "termina en 0143, que no llegó" in " ".join(email.text.split())


def test_how_to_answer_a_text_is_left_out_of_the_email(service: Service, farm: Home) -> None:
    words = "Cutcall Plum Bottom: start cutting about Thu May 13."
    tail = f"Reply STOP to end, HELP for help. {mark('start:1')}"
    put(service, farm, LOST, text=f"{words} {tail}")
    look(service)
    [email] = emails(service)
    assert email.text.startswith(f"{words}\n\n")
    assert "STOP" not in email.text


def test_farm_counts_as_told_once_the_email_is_taken(service: Service, farm: Home) -> None:
    put(service, farm, LOST)

    def told() -> list[date]:
        with service.sessions.read() as session:
            found = told_farms.by_farm(session, [farm.farm_id], MONDAY.year)
        return [one.start_on for one in found.values()]

    look(service)
    assert told() == []
    service.send()
    assert told() == [day(3)]


# ------------------------------------------------------------------- one that does not leave


def test_text_the_gateway_does_not_take_goes_by_email_after_three_hours(
    service: Service, farm: Home
) -> None:
    text = put(service, farm, TRIED)
    service.later(hours=2, minutes=59)
    assert look(service) == 0
    service.later(minutes=1)
    assert look(service) == 1
    waiting, email = service.messages()
    assert (waiting.status, waiting.error_detail) == ("cancelled", INSTEAD)
    assert email.fallback_of == text.id
    assert "It could not be sent so far" in " ".join(email.text.split())
    service.send()
    assert (len(service.sms.attempts), len(service.mail.attempts)) == (0, 1)


def test_text_of_use_for_little_longer_goes_sooner(service: Service, farm: Home) -> None:
    put(service, farm, TRIED, expires_at=NOON + timedelta(hours=2, minutes=10))
    service.later(minutes=14)
    assert look(service) == 0
    service.later(minutes=1)
    assert look(service) == 1


def test_text_nobody_tried_to_send_waits_for_its_sender(service: Service, farm: Home) -> None:
    """Say the service was off since the morning: the text goes first of all when it is back."""
    put(service, farm, ())
    service.later(hours=5)
    assert look(service) == 0


def test_text_held_back_since_the_gateway_rests_goes_by_email(service: Service, farm: Home) -> None:
    put(service, farm, ())
    with service.sessions.write() as session:
        row = gateways.locked(session, "sms")
        row.failing_since = service.clock()
        session.add(row)
    service.later(hours=3)
    assert look(service) == 1
    assert service.messages()[0].status == "cancelled"


def test_text_that_waits_for_its_hours_is_not_late(service: Service, farm: Home) -> None:
    put(service, farm, TRIED, not_before=NOON + timedelta(hours=19))
    service.later(hours=21)
    assert look(service) == 0
    service.later(hours=1)
    assert look(service) == 1


def test_text_that_a_sender_takes_meanwhile_is_left_to_it(service: Service, farm: Home) -> None:
    """Read as waiting, and claimed before the email is queued."""
    text = put(service, farm, TRIED)
    service.later(hours=4)
    found = rules(service)
    sessions = service.sessions

    class Claimed:
        """Sessions between whose first reading and writing a sender claims the text."""

        read = sessions.read

        def write(self):  # type: ignore[no-untyped-def]
            with sessions.write() as session:
                row = outbox.get(session, text.id)
                row.attempts += 1
                outbox.settle(session, row, Status.SENDING, service.clock())
            return sessions.write()

    assert queue_fallbacks(Claimed(), found, service.clock()) == 0  # type: ignore[arg-type]
    [message] = service.messages()
    assert message.status == "sending"


def test_text_of_which_nobody_knows_goes_by_email_and_is_still_asked_about(
    service: Service, farm: Home
) -> None:
    service.sms.say(Outcome.UNKNOWN, keeps=True)
    put(service, farm, ())
    service.send()
    service.sms.unreachable = True
    service.later(hours=2, minutes=59)
    service.send()
    assert look(service) == 0
    service.later(minutes=1)
    assert look(service) == 1
    text, email = service.messages()
    assert text.status == "unknown"
    assert "Whether it arrived is not known" in " ".join(email.text.split())
    service.sms.unreachable = False
    service.later(minutes=2)
    service.send()
    text, email = service.messages()
    assert (text.status, email.status) == ("accepted", "accepted")
    assert len(service.sms.attempts) == 1  # it was there all along


def test_text_that_has_just_become_unclear_is_asked_about_first(
    service: Service, farm: Home
) -> None:
    service.later(hours=4)
    put(service, farm, UNCLEAR, not_before=NOON)
    service.later(minutes=14)
    assert look(service) == 0
    service.later(minutes=1)
    assert look(service) == 1


# ----------------------------------------------------------------------------- not at all


@pytest.mark.parametrize("kind", sorted(Kind))
def test_only_news_goes_by_email(service: Service, farm: Home, kind: Kind) -> None:
    put(service, farm, LOST, kind=kind)
    assert look(service) == (kind in NEWS)


@pytest.mark.parametrize(
    "changes",
    [{"email_if_unreached": False}, {"email": ""}, {"email": "new@example.org"}],
    ids=["not wanted", "no email", "not agreed"],
)
def test_nothing_goes_without_a_wish_and_a_confirmed_mailbox(
    service: Service, farm: Home, changes: dict[str, object]
) -> None:
    change_person(service, **changes)
    put(service, farm, LOST)
    assert look(service) == 0


@pytest.mark.parametrize(("channel", "address"), [("sms", PHONE), ("email", MAIL)])
def test_who_stopped_gets_no_email_for_it(
    service: Service, farm: Home, channel: str, address: str
) -> None:
    put(service, farm, LOST)
    with service.sessions.write() as session:
        opt_outs.stop(session, channel, address, service.clock(), "STOP by text")
    assert look(service) == 0


def test_who_stopped_and_started_again_gets_no_email_for_what_was_stopped(
    service: Service, farm: Home
) -> None:
    put(service, farm, LOST)
    with service.sessions.write() as session:
        opt_outs.stop(session, "sms", PHONE, service.clock(), "STOP by text")
        opt_outs.start(session, "sms", PHONE, service.later(minutes=1), "START by text")
    assert [row.ended_at for row in service.rows(OptOut)] == [service.clock()]
    assert look(service) == 0


def test_text_the_gateway_refuses_for_an_opt_out_gets_no_email(
    service: Service, farm: Home
) -> None:
    service.sms.say(Outcome.OPTED_OUT, code="21610")
    put(service, farm, ())
    service.send()
    assert service.messages()[0].status == "failed"
    assert look(service) == 0


@pytest.mark.parametrize("states", [("cancelled",), ("expired",), ("sending", "accepted")])
def test_text_with_another_end_gets_no_email(
    service: Service, farm: Home, states: tuple[str, ...]
) -> None:
    put(service, farm, states)
    service.later(hours=5)
    assert look(service) == 0


def test_words_that_are_of_no_use_any_more_are_not_said(service: Service, farm: Home) -> None:
    put(service, farm, LOST)
    service.later(days=2)
    assert look(service) == 0


def test_who_is_told_both_ways_is_not_told_by_email_twice(service: Service, farm: Home) -> None:
    put(service, farm, LOST)
    put(service, farm, ("sending", "accepted"), "start:mail", channel="email", to_address=MAIL)
    assert look(service) == 0


def test_of_two_that_failed_the_newest_is_said(service: Service, farm: Home) -> None:
    put(service, farm, LOST)
    newer = put(service, farm, LOST, "start:2", kind="moved", start_on=day(5), told_on=day(1))
    assert look(service) == 1
    assert emails(service)[0].fallback_of == newer.id


def test_text_that_was_sent_again_needs_no_email(service: Service, farm: Home) -> None:
    text = put(service, farm, LOST)
    put(service, farm, ("sending", "accepted"), "again:1", resent_of=text.id)
    assert look(service) == 0


def test_farm_that_is_paused_cut_or_anothers_is_left_alone(service: Service, farm: Home) -> None:
    put(service, farm, LOST)

    def changed(table: type, **values: object) -> None:
        with service.sessions.write() as session:
            row = session.get_one(table, 1)
            for name, value in values.items():
                setattr(row, name, value)
            session.add(row)

    with service.sessions.write() as session:
        session.add(Person(name="Ned Okafor", phone=OTHER_PHONE))
    changed(Farm, paused_until=day(2))
    assert look(service) == 0
    changed(Farm, paused_until=None, farmer_id=2)
    assert look(service) == 0
    changed(Farm, farmer_id=1)
    changed(FarmField, cutting=2)
    assert look(service) == 0
    changed(FarmField, cutting=1)
    assert look(service) == 1


def test_email_that_newer_results_took_back_is_not_queued_again(
    service: Service, farm: Home
) -> None:
    put(service, farm, LOST)
    look(service)
    with service.sessions.write() as session:
        outbox.cancel_waiting(
            session, farm.farm_id, service.clock(), "overtaken", untried_only=True
        )
    assert emails(service)[0].status == "cancelled"
    assert look(service) == 0


# --------------------------------------------------------------------------------- samplers


def test_sampler_is_led_to_the_list_of_clips(service: Service, farm: Home) -> None:
    put(
        service,
        farm,
        UNDELIVERED,
        kind="sample_due",
        farm_id=None,
        season=None,
        cutting=None,
        start_on=None,
        subject="Clip 2 fields on Thu May 13",
        time_zone="America/Chicago",
    )
    assert look(service) == 1
    [email] = emails(service)
    assert email.subject == "Clip 2 fields on Thu May 13 (by email instead of a text)"
    assert "Your list of clips: https://cutcall.example.org/sampler/" in " ".join(
        email.text.split()
    )
    assert (email.farm_id, email.time_zone) == (None, "America/Chicago")


def test_late_receipt_is_kept_beside_the_email(service: Service, farm: Home) -> None:
    """The gateway says 'undelivered' first and 'delivered' after: the first word was the last."""
    put(service, farm, UNDELIVERED)
    look(service)
    with service.sessions.write() as session:
        text = outbox.get(session, 1)
        assert not outbox.settle(session, text, Status.DELIVERED, service.clock())
    assert service.messages()[0].status == Delivery.UNDELIVERED
