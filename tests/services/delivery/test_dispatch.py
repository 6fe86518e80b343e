from __future__ import annotations

import asyncio
from datetime import datetime, time, timedelta

import pytest
from factories import (
    MONDAY,
    NOON,
    OTHER_PHONE,
    PHONE,
    Home,
    Service,
    build_message,
    day,
    put_home,
)
from fakes import HANGS, Answer, FakeTransport

from alerts.domain.delivery import Status
from alerts.services.delivery.dispatch import dispatch_due
from alerts.services.delivery.outcomes import OPERATOR_WAIT
from alerts.services.delivery.sending import SendReport
from alerts.store import opt_outs, outbox
from alerts.store.tables import OptOut
from alerts.transports.base import (
    Channel,
    Delivery,
    Outcome,
    OutgoingMessage,
    SendResult,
    Sighting,
)

ADDRESS = "ada@example.org"
SETTLE = 30
"""Seconds the shipped schedule waits before it asks a gateway about an unclear message."""


@pytest.fixture
def waiting(service: Service) -> Service:
    """One text that may go out."""
    put(service)
    return service


def put(service: Service, key: str = "start:1", **changes: object) -> Home:
    home = put_home(service.sessions, farm=f"Farm {key}")
    with service.sessions.write() as session:
        outbox.enqueue(session, build_message(home, key, **changes))
    return home


def put_email(service: Service, **changes: object) -> None:
    put(service, "start:email", channel="email", to_address=ADDRESS, **changes)


def refuse(service: Service, outcome: Outcome, **said: object) -> None:
    service.sms.say(outcome, **said)


# -------------------------------------------------------------------------- one attempt


def test_accepted_message_is_sent_once_and_remembers_its_name_at_the_gateway(
    waiting: Service,
) -> None:
    assert waiting.send() == SendReport(accepted=1)
    message = waiting.message()
    assert (message.status, message.gateway_id, message.parts) == ("accepted", "gw-1", 1)
    assert message.accepted_at == NOON
    assert waiting.steps(message) == ["queued", "sending", "accepted"]
    [sent] = waiting.sms.attempts
    assert (sent.to, sent.text, sent.mark) == (PHONE, message.text, message.mark)
    waiting.later(hours=1)
    assert waiting.send() == SendReport()
    assert len(waiting.sms.attempts) == 1


def test_nothing_to_send_reports_nothing(service: Service) -> None:
    assert service.send() == SendReport()


def test_all_messages_go_out_in_batches_however_many_there_are(service: Service) -> None:
    for number in range(23):
        put(service, f"start:{number}")
    assert service.send().accepted == 23
    assert len({message.mark for message in service.sms.attempts}) == 23


def test_channels_are_served_by_their_own_transport(waiting: Service) -> None:
    put_email(waiting, subject="Start cutting", html="<p>Start</p>")
    assert waiting.send().accepted == 2
    assert [message.to for message in waiting.sms.attempts] == [PHONE]
    [mail] = waiting.mail.attempts
    assert (mail.to, mail.subject, mail.html) == (ADDRESS, "Start cutting", "<p>Start</p>")
    assert mail.unsubscribe_url.startswith("https://cutcall.example.org/stop/")


def test_refused_message_is_final_and_keeps_the_gateways_words(waiting: Service) -> None:
    waiting.sms.say(Outcome.REFUSED, code="21211", detail="not a valid phone number")
    assert waiting.send() == SendReport(refused=1)
    message = waiting.message()
    assert (message.status, message.error_code) == ("failed", "21211")
    assert message.error_detail == "not a valid phone number"
    waiting.later(days=1)
    waiting.send()
    assert len(waiting.sms.attempts) == 1


def test_recipient_the_gateway_knows_as_opted_out_enters_the_ledger(waiting: Service) -> None:
    put(waiting, "start:2")
    waiting.sms.say(Outcome.OPTED_OUT, code="21610")
    waiting.send(waiting.sending_rules(concurrency=1))
    first, second = waiting.messages()
    assert (first.status, second.status) == ("failed", "cancelled")
    assert second.error_detail == "opted out"
    assert len(waiting.sms.attempts) == 1
    [entry] = waiting.rows(OptOut)
    assert (entry.channel, entry.address, entry.how) == ("sms", PHONE, "at the gateway")


def test_two_messages_refused_as_opted_out_at_once_make_one_entry(waiting: Service) -> None:
    put(waiting, "start:2")
    waiting.sms.say(Outcome.OPTED_OUT)
    waiting.sms.say(Outcome.OPTED_OUT)
    assert waiting.send().refused == 2
    assert len(waiting.rows(OptOut)) == 1


def test_message_to_somebody_who_stopped_meanwhile_is_not_sent(waiting: Service) -> None:
    put(waiting, "start:2", to_address=OTHER_PHONE)
    with waiting.sessions.write() as session:
        opt_outs.stop(session, "sms", PHONE, waiting.clock(), "replied STOP")
    assert waiting.send() == SendReport(accepted=1)
    assert [message.to for message in waiting.sms.attempts] == [OTHER_PHONE]
    assert [m.status for m in waiting.messages()] == ["cancelled", "accepted"]


# ------------------------------------------------------------------------------- later


def test_busy_gateway_is_tried_again_after_a_wait_that_doubles(waiting: Service) -> None:
    """Half of 20 s times 2, 4, 8 ... with the tests' jitter of one half."""
    waits = []
    for _ in range(3):
        refuse(waiting, Outcome.LATER, code="429")
        assert waiting.send() == SendReport(later=1)
        message = waiting.message()
        assert message.status == "queued"
        waits.append((message.next_attempt_at - waiting.clock()).total_seconds())
        waiting.clock.now = message.next_attempt_at
    assert waits == [20, 40, 80]
    assert waiting.send() == SendReport(accepted=1)
    assert waiting.message().attempts == 4


def test_busy_gateway_is_not_tried_before_the_wait_is_over(waiting: Service) -> None:
    refuse(waiting, Outcome.LATER)
    waiting.send()
    waiting.later(seconds=19)
    assert waiting.send() == SendReport()
    waiting.later(seconds=1)
    assert waiting.send() == SendReport(accepted=1)


def test_wait_the_gateway_asks_for_is_kept(waiting: Service) -> None:
    refuse(waiting, Outcome.LATER, retry_after_s=300.0)
    waiting.send()
    assert waiting.message().next_attempt_at == NOON + timedelta(seconds=300)


def test_wait_never_grows_past_its_cap(waiting: Service) -> None:
    rules = waiting.sending_rules(backoff_cap_s=60, jitter=lambda: 0.999)
    for _ in range(8):
        refuse(waiting, Outcome.LATER)
        waiting.send(rules)
        wait = waiting.message().next_attempt_at - waiting.clock()
        assert wait <= timedelta(seconds=60)
        waiting.clock.now = waiting.message().next_attempt_at
    assert wait > timedelta(seconds=59)


def test_wrong_settings_wait_for_the_operator_and_are_logged_as_an_error(
    waiting: Service, caplog: pytest.LogCaptureFixture
) -> None:
    refuse(waiting, Outcome.MISCONFIGURED, code="20003", detail="the key is not known")
    assert waiting.send() == SendReport(later=1)
    message = waiting.message()
    assert (message.status, message.next_attempt_at) == ("queued", NOON + OPERATOR_WAIT)
    [record] = [record for record in caplog.records if record.levelname == "ERROR"]
    assert "the key is not known" in record.getMessage()


def test_message_put_off_into_the_night_waits_for_the_morning(waiting: Service) -> None:
    """Tried at 19:50 and put off for half an hour: the farm's window closes at 20:00."""
    waiting.clock.set(MONDAY, time(19, 50))
    refuse(waiting, Outcome.LATER, retry_after_s=1800.0)
    waiting.send()
    waiting.later(minutes=30)
    assert waiting.send() == SendReport()
    waiting.clock.set(day(1), time(6, 59))
    assert waiting.send() == SendReport()
    waiting.clock.set(day(1), time(7))
    assert waiting.send() == SendReport(accepted=1)


def test_message_found_waiting_at_night_does_not_ring(waiting: Service) -> None:
    """No sender ran during the day."""
    waiting.clock.set(MONDAY, time(23))
    assert waiting.send() == SendReport()
    waiting.clock.set(day(1), time(7, 1))
    assert waiting.send() == SendReport(accepted=1)


# ----------------------------------------------------------------------------- expired


def test_message_too_late_to_be_of_use_is_never_sent(waiting: Service) -> None:
    waiting.clock.now = waiting.message().expires_at
    assert waiting.send() == SendReport(expired=1)
    assert waiting.sms.attempts == []
    message = waiting.message()
    assert (message.status, message.error_detail) == ("expired", "too late to be of use")


def test_message_put_off_past_its_use_is_not_tried_again(waiting: Service) -> None:
    refuse(waiting, Outcome.LATER, retry_after_s=72 * 3600.0)
    waiting.send()
    waiting.later(days=3)
    assert waiting.send() == SendReport(expired=1)
    assert len(waiting.sms.attempts) == 1


# ----------------------------------------------------------------------------- unclear


def test_unclear_message_is_not_sent_again_before_the_gateway_was_asked(
    waiting: Service,
) -> None:
    waiting.sms.say(Outcome.UNKNOWN, keeps=True, detail="no answer")
    assert waiting.send() == SendReport(unknown=1)
    assert waiting.message().status == "unknown"
    waiting.later(seconds=SETTLE - 1)
    assert waiting.send() == SendReport()
    assert waiting.sms.asked == []
    assert len(waiting.sms.attempts) == 1


def test_unclear_message_the_gateway_holds_is_accepted_and_not_sent_again(
    waiting: Service,
) -> None:
    waiting.sms.say(Outcome.UNKNOWN, keeps=True)
    waiting.send()
    waiting.later(seconds=SETTLE)
    assert waiting.send() == SendReport(accepted=1)
    message = waiting.message()
    assert (message.status, message.gateway_id) == ("accepted", "gw-1")
    assert waiting.steps(message) == ["queued", "sending", "unknown", "accepted"]
    waiting.later(hours=1)
    waiting.send()
    assert len(waiting.sms.attempts) == 1


@pytest.mark.parametrize(
    ("delivery", "status"),
    [
        (Delivery.SENT, "sent"),
        (Delivery.DELIVERED, "delivered"),
        (Delivery.UNDELIVERED, "undelivered"),
    ],
)
def test_unclear_message_takes_the_state_the_gateway_has_for_it(
    waiting: Service, delivery: Delivery, status: str
) -> None:
    waiting.sms.say(Outcome.UNKNOWN, keeps=True)
    waiting.send()
    waiting.sms.news["gw-1"] = Sighting("gw-1", delivery, delivery.value)
    waiting.later(seconds=SETTLE)
    waiting.send()
    assert (waiting.message().status, waiting.message().gateway_status) == (
        status,
        delivery.value,
    )


def test_email_given_up_says_that_it_may_have_arrived(service: Service) -> None:
    """A mail server cannot be asked what it holds."""
    put_email(service)
    for _ in range(2):
        service.mail.say(Outcome.UNKNOWN)
    for _ in range(3):
        service.send()
        service.later(seconds=SETTLE)
    assert service.mail.asked == []
    message = service.message()
    assert message.status == "failed"
    assert message.error_detail.startswith("may have arrived")


def test_unclear_message_the_gateway_does_not_hold_is_sent_exactly_once_more(
    waiting: Service,
) -> None:
    for _ in range(3):
        waiting.sms.say(Outcome.UNKNOWN)
    for _ in range(4):
        waiting.send()
        waiting.later(seconds=SETTLE)
    assert len(waiting.sms.attempts) == 2
    assert waiting.sms.attempts[0].message_id == waiting.sms.attempts[1].message_id
    message = waiting.message()
    assert (message.status, message.error_detail) == (
        "failed",
        "not at the gateway after a second attempt",
    )
    assert waiting.steps(message) == [
        *("queued", "sending", "unknown"),
        *("queued", "sending", "unknown", "failed"),
    ]


def test_second_attempt_that_is_accepted_ends_well(waiting: Service) -> None:
    waiting.sms.say(Outcome.UNKNOWN)
    waiting.send()
    waiting.later(seconds=SETTLE)
    assert waiting.send() == SendReport(accepted=1, later=1)
    assert waiting.message().status == "accepted"
    assert len(waiting.sms.attempts) == 2


def test_gateway_that_cannot_be_asked_is_asked_again_and_nothing_is_sent(
    waiting: Service,
) -> None:
    waiting.sms.say(Outcome.UNKNOWN, keeps=True)
    waiting.send()
    waiting.sms.unreachable = True
    waiting.later(seconds=SETTLE)
    assert waiting.send() == SendReport()
    message = waiting.message()
    assert (message.status, message.error_detail) == ("unknown", "the gateway does not answer")
    assert message.next_attempt_at > waiting.clock()
    waiting.sms.unreachable = False
    waiting.clock.now = message.next_attempt_at
    assert waiting.send() == SendReport(accepted=1)
    assert len(waiting.sms.asked) == 2
    assert len(waiting.sms.attempts) == 1


def test_gateway_that_can_never_be_asked_ends_with_the_messages_use(waiting: Service) -> None:
    waiting.sms.say(Outcome.UNKNOWN)
    waiting.send()
    waiting.sms.unreachable = True
    waiting.clock.now = waiting.message().expires_at
    waiting.send()
    message = waiting.message()
    assert message.status == "failed"
    assert message.error_detail == ("never known whether it left: the gateway does not answer")
    assert len(waiting.sms.attempts) == 1


def test_unclear_message_not_at_the_gateway_is_not_sent_again_when_useless(
    waiting: Service,
) -> None:
    waiting.sms.say(Outcome.UNKNOWN)
    waiting.send()
    waiting.clock.now = waiting.message().expires_at
    assert waiting.send() == SendReport(expired=1)
    assert len(waiting.sms.attempts) == 1


def test_unclear_email_is_sent_again_under_its_id_without_asking(service: Service) -> None:
    """A mail system merges copies of one Message-ID; it cannot be asked."""
    put_email(service)
    service.mail.say(Outcome.UNKNOWN, detail="connection lost")
    service.send()
    service.later(seconds=SETTLE)
    assert service.send() == SendReport(accepted=1, later=1)
    assert service.mail.asked == []
    first, second = service.mail.attempts
    assert first.message_id == second.message_id
    assert first == second


# ------------------------------------------------------- transports and senders that fail


def test_transport_that_raises_leaves_an_unclear_message_and_the_others_go(
    waiting: Service, caplog: pytest.LogCaptureFixture
) -> None:
    put(waiting, "start:2")
    waiting.sms.script(ZeroDivisionError("a bug"))
    assert waiting.send() == SendReport(accepted=1, unknown=1)
    first, second = waiting.messages()
    assert (first.status, second.status) == ("unknown", "accepted")
    assert first.error_detail == "ZeroDivisionError: a bug"
    assert "fake failed on message" in caplog.text


def test_attempt_longer_than_its_share_of_the_lease_is_unclear(waiting: Service) -> None:
    """The gateway may have taken it: it is asked, not sent to again."""
    rules = waiting.sending_rules(lease=timedelta(milliseconds=50))
    waiting.sms.script(HANGS)
    assert waiting.send(rules) == SendReport(unknown=1)
    message = waiting.message()
    assert message.status == "unknown"
    assert message.error_detail.startswith("no outcome within")


def claim_and_die(service: Service) -> None:
    with service.sessions.write() as session:
        outbox.claim(
            session,
            channel="sms",
            owner="died",
            now=service.clock(),
            lease=service.parts.sending_rules().lease,
            limit=10,
        )


def test_message_of_a_dead_sender_is_unclear_once_its_lease_is_over(waiting: Service) -> None:
    claim_and_die(waiting)
    assert waiting.send() == SendReport()
    assert waiting.message().status == "sending"
    waiting.later(seconds=181)
    waiting.send()
    message = waiting.message()
    assert (message.status, message.error_detail) == ("unknown", "the sender stopped in the act")
    assert waiting.sms.attempts == []


@pytest.mark.parametrize(("ahead_s", "status"), [(30, "sending"), (7200, "unknown")])
def test_lease_by_a_clock_a_little_ahead_is_another_sender_s_and_far_ahead_a_fault(
    waiting: Service, ahead_s: int, status: str
) -> None:
    waiting.later(seconds=ahead_s)
    claim_and_die(waiting)
    waiting.later(seconds=-ahead_s)
    assert waiting.send() == SendReport()
    assert waiting.message().status == status


@pytest.mark.parametrize(("left", "attempts"), [(True, 0), (False, 1)])
def test_message_of_a_dead_sender_is_looked_for_before_it_is_sent(
    waiting: Service, left: bool, attempts: int
) -> None:
    claim_and_die(waiting)
    if left:
        waiting.sms.held["gw-1"] = next(iter(outgoing_messages(waiting)))
    waiting.later(seconds=181)
    waiting.send()
    waiting.later(seconds=SETTLE)
    waiting.send()
    assert waiting.message().status == "accepted"
    assert len(waiting.sms.asked) == 1
    assert len(waiting.sms.attempts) == attempts


def outgoing_messages(service: Service) -> list[OutgoingMessage]:
    """The stored messages as a sender would have handed them over."""
    return [
        OutgoingMessage(
            message_id=message.public_id,
            to=message.to_address,
            text=message.text,
            mark=message.mark,
            created_at=message.created_at,
            expires_at=message.expires_at,
        )
        for message in service.messages()
    ]


# ----------------------------------------------------------------------- several senders


class Meddling(FakeTransport):
    """A gateway that takes so long to answer that something else happens meanwhile."""

    meanwhile = staticmethod(lambda: None)

    async def send(self, message: OutgoingMessage) -> SendResult:
        result = await super().send(message)
        await asyncio.to_thread(self.meanwhile)
        return result

    async def find(self, message: OutgoingMessage) -> Sighting | None:
        seen = await super().find(message)
        await asyncio.to_thread(self.meanwhile)
        return seen


def dispatch(service: Service, transport: FakeTransport, owner: str = "slow") -> SendReport:
    return asyncio.run(
        dispatch_due(
            service.sessions,
            {Channel.SMS: transport},
            service.parts.sending_rules(),
            owner,
            service.clock,
        )
    )


def test_second_sender_that_looks_at_the_same_time_sends_nothing_twice(
    waiting: Service,
) -> None:
    """While one asks the gateway about an unclear message, the other lets it be."""
    waiting.sms.say(Outcome.UNKNOWN)
    waiting.send()
    waiting.later(seconds=SETTLE)
    slow = Meddling(Channel.SMS)
    slow.meanwhile = waiting.send
    dispatch(waiting, slow)
    assert waiting.message().status == "accepted"
    assert (len(waiting.sms.asked), len(slow.asked)) == (0, 1)
    assert (len(waiting.sms.attempts), len(slow.attempts)) == (1, 1)


def test_sender_that_asks_for_too_long_sends_nothing_twice(waiting: Service) -> None:
    """Both ask the gateway about one unclear message and both hear that it is not there."""
    waiting.sms.say(Outcome.UNKNOWN)
    waiting.send()
    waiting.later(seconds=SETTLE)
    slow = Meddling(Channel.SMS)

    def somebody_else() -> None:
        waiting.later(seconds=180)
        waiting.send()

    slow.meanwhile = somebody_else
    dispatch(waiting, slow)
    assert waiting.message().status == "accepted"
    assert (len(waiting.sms.asked), len(slow.asked)) == (1, 1)
    assert len(waiting.sms.attempts) == 2
    assert slow.attempts == []


def test_receipt_that_comes_while_the_gateway_is_asked_is_not_overwritten(
    waiting: Service,
) -> None:
    waiting.sms.say(Outcome.UNKNOWN)
    waiting.send()
    waiting.later(seconds=SETTLE)
    [message] = waiting.messages()

    def receipt() -> None:
        with waiting.sessions.write() as session:
            row = outbox.get(session, message.id)
            outbox.settle(session, row, Status.DELIVERED, waiting.clock())

    slow = Meddling(Channel.SMS)
    slow.meanwhile = receipt
    assert dispatch(waiting, slow) == SendReport()
    assert waiting.message().status == "delivered"
    assert slow.attempts == []


def test_sender_whose_message_was_taken_over_leaves_it_alone(
    waiting: Service, caplog: pytest.LogCaptureFixture
) -> None:
    """Its machine slept through the lease: the message was found missing and sent by another."""
    slow = Meddling(Channel.SMS)
    slow.script(Answer(SendResult(Outcome.LATER)))

    def sleep_through_the_lease() -> None:
        waiting.later(seconds=181)
        waiting.send()
        waiting.later(seconds=SETTLE)
        waiting.send()

    slow.meanwhile = sleep_through_the_lease
    dispatch(waiting, slow)
    message = waiting.message()
    assert (message.status, message.attempts) == ("accepted", 2)
    assert len(waiting.sms.attempts) == 1
    assert "taken over by another sender" in caplog.text


def test_late_word_of_the_same_attempt_is_still_taken(waiting: Service) -> None:
    """Another sender has given the message up as unclear; the first then hears that it left."""
    slow = Meddling(Channel.SMS)

    def give_up() -> None:
        waiting.later(seconds=181)
        waiting.send()

    slow.meanwhile = give_up
    dispatch(waiting, slow)
    message = waiting.message()
    assert (message.status, message.gateway_id) == ("accepted", "gw-1")
    assert waiting.steps(message) == ["queued", "sending", "unknown", "accepted"]
    assert waiting.sms.attempts == []


def test_two_senders_at_once_send_each_message_once(service: Service) -> None:
    for number in range(12):
        put(service, f"start:{number}")

    async def both() -> None:
        rules = service.sending_rules(concurrency=3)
        transports = {Channel.SMS: service.sms}
        await asyncio.gather(
            *(
                dispatch_due(service.sessions, transports, rules, owner, service.clock)
                for owner in ("one", "two")
            )
        )

    asyncio.run(both())
    marks = [message.mark for message in service.sms.attempts]
    assert len(marks) == len(set(marks)) == 12
    assert {message.status for message in service.messages()} == {"accepted"}


def test_message_sent_at_the_edge_of_its_window_is_sent(waiting: Service) -> None:
    """The window 07:00 to 20:00 holds its first moment and not its last."""
    edge = datetime.combine(MONDAY, time(19, 59, 59), tzinfo=waiting.clock.zone)
    waiting.clock.now = edge
    assert waiting.send() == SendReport(accepted=1)
