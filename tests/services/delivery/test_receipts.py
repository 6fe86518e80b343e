from __future__ import annotations

import asyncio
from datetime import timedelta

import pytest
from factories import NOON, PHONE, Service, build_message, put_home
from fakes import FakeTransport

from alerts.domain.errors import TransportError
from alerts.services.delivery.receipts import ASK_FOR, MOST_FAILURES, hear, record, refresh
from alerts.store import opt_outs, outbox
from alerts.store.tables import OptOut
from alerts.transports.base import Channel, Delivery, Sighting
from alerts.transports.signatures import WebhookKeys
from alerts.transports.sms_rest import sighting_of
from alerts.transports.webhooks import SmsWebhooks


@pytest.fixture
def accepted(service: Service) -> Service:
    """One text that the gateway took."""
    home = put_home(service.sessions)
    with service.sessions.write() as session:
        outbox.enqueue(session, build_message(home))
    service.send()
    service.later(minutes=1)
    return service


def ask(service: Service) -> int:
    return asyncio.run(refresh(service.sessions, {Channel.SMS: service.sms}, service.clock))


def news(service: Service, delivery: Delivery, status: str = "", code: str = "") -> None:
    service.sms.news["gw-1"] = Sighting("gw-1", delivery, status or delivery.value, code)


@pytest.mark.parametrize(
    ("delivery", "status"),
    [
        (Delivery.SENT, "sent"),
        (Delivery.DELIVERED, "delivered"),
        (Delivery.UNDELIVERED, "undelivered"),
    ],
)
def test_news_of_a_text_is_taken_over(accepted: Service, delivery: Delivery, status: str) -> None:
    news(accepted, delivery)
    assert ask(accepted) == 1
    message = accepted.message()
    assert (message.status, message.gateway_status) == (status, delivery.value)
    assert accepted.steps(message) == ["queued", "sending", "accepted", status]


def test_text_that_did_not_arrive_keeps_the_carriers_code(accepted: Service) -> None:
    news(accepted, Delivery.UNDELIVERED, "undelivered", "30003")
    ask(accepted)
    assert accepted.message().error_code == "30003"


def test_text_still_on_its_way_is_asked_about_again(accepted: Service) -> None:
    assert ask(accepted) == 0
    assert accepted.message().status == "accepted"
    news(accepted, Delivery.DELIVERED)
    assert ask(accepted) == 1


def test_arrived_text_is_not_asked_about_again(accepted: Service) -> None:
    news(accepted, Delivery.DELIVERED)
    ask(accepted)
    accepted.sms.unreachable = True
    assert ask(accepted) == 0


@pytest.mark.parametrize("late", [Delivery.SENT, Delivery.PENDING, Delivery.UNDELIVERED])
def test_late_news_changes_nothing(accepted: Service, late: Delivery) -> None:
    message = accepted.message()
    now = accepted.clock()
    assert record(
        accepted.sessions, message.id, Sighting("gw-1", Delivery.DELIVERED, "delivered"), now
    )
    before = accepted.steps(message)
    assert not record(accepted.sessions, message.id, Sighting("gw-1", late, late.value), now)
    assert accepted.message().status == "delivered"
    assert accepted.steps(message) == before


def test_same_news_twice_is_one_step(accepted: Service) -> None:
    news(accepted, Delivery.SENT)
    assert [ask(accepted), ask(accepted)] == [1, 0]
    assert accepted.steps(accepted.message()).count("sent") == 1


def test_gateway_that_cannot_be_asked_is_asked_at_the_next_tick(
    accepted: Service, caplog: pytest.LogCaptureFixture
) -> None:
    accepted.sms.unreachable = True
    assert ask(accepted) == 0
    assert accepted.message().status == "accepted"
    assert "asked again at the next tick" in caplog.text
    accepted.sms.unreachable = False
    news(accepted, Delivery.DELIVERED)
    assert ask(accepted) == 1


def test_text_the_gateway_no_longer_knows_stays_as_it_is(accepted: Service) -> None:
    accepted.sms.held.clear()
    assert ask(accepted) == 0
    assert accepted.message().status == "accepted"


def test_text_without_a_final_word_is_not_asked_about_for_ever(accepted: Service) -> None:
    news(accepted, Delivery.DELIVERED)
    accepted.clock.now = NOON + ASK_FOR + timedelta(seconds=1)
    assert ask(accepted) == 0


def test_service_without_a_gateway_asks_nobody(accepted: Service) -> None:
    assert asyncio.run(refresh(accepted.sessions, {}, accepted.clock)) == 0


@pytest.mark.parametrize(
    ("code", "stopped"), [("21610", [PHONE]), ("30004", [PHONE]), ("30003", []), ("", [])]
)
def test_receipt_that_says_opted_out_enters_the_ledger_once(
    accepted: Service, code: str, stopped: list[str]
) -> None:
    form = [("MessageSid", "gw-1"), ("MessageStatus", "undelivered"), ("ErrorCode", code)]
    seen = SmsWebhooks(WebhookKeys(())).receipt(form)
    assert seen is not None
    assert hear(accepted.sessions, accepted.message().public_id, seen, accepted.clock())
    assert [entry.address for entry in accepted.rows(OptOut)] == stopped
    if stopped:
        with accepted.sessions.write() as session:
            opt_outs.start(session, "sms", PHONE, accepted.clock(), "START")
        hear(accepted.sessions, "", seen, accepted.clock())  # the same news again
        with accepted.sessions.read() as session:
            assert not opt_outs.stopped(session, "sms", [PHONE])


def test_text_asked_about_that_was_blocked_enters_the_ledger(accepted: Service) -> None:
    row = {"sid": "gw-1", "status": "failed", "error_code": 21610}
    seen = sighting_of(row)
    assert seen is not None
    accepted.sms.news["gw-1"] = seen
    ask(accepted)
    assert [entry.address for entry in accepted.rows(OptOut)] == [PHONE]


class Stumbling(FakeTransport):
    """A gateway whose first answers fail."""

    def __init__(self, failures: int) -> None:
        super().__init__(Channel.SMS)
        self.failures = failures
        self.asked_for: list[str] = []

    async def read_back(self, gateway_id: str) -> Sighting | None:
        self.asked_for.append(gateway_id)
        if len(self.asked_for) <= self.failures:
            raise TransportError("the gateway answered HTTP 500")
        return Sighting(gateway_id, Delivery.DELIVERED, "delivered")


@pytest.mark.parametrize(
    ("failures", "asked", "moved"), [(0, 6, 6), (1, 6, 5), (MOST_FAILURES, MOST_FAILURES, 0)]
)
def test_failing_answer_keeps_no_other_text_waiting(
    service: Service, failures: int, asked: int, moved: int
) -> None:
    for number in range(6):
        home = put_home(service.sessions, farm=f"Farm {number}")
        with service.sessions.write() as session:
            outbox.enqueue(session, build_message(home, f"start:{number}"))
    service.send()
    stumbling = Stumbling(failures)
    found = asyncio.run(refresh(service.sessions, {Channel.SMS: stumbling}, service.clock))
    assert (len(stumbling.asked_for), found) == (asked, moved)
