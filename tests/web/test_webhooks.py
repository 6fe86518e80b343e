"""Webhooks of the text gateway through the whole application.

Source of the forms and of the answers' markup: `inbound_form`, `status_callback_form`,
`reply_empty` and `reply_text` of tests/data/messaging/http_examples.json (shapes after the vendor's
API description, values invented). Source of ranks: message_status.json there.
"""

from __future__ import annotations

import base64
import hmac
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import httpx
import pytest
from factories import PHONE, Service, build_message, put_home
from pydantic import SecretStr

from alerts.bootstrap import build_transports
from alerts.store import outbox
from alerts.store.tables import Cut, InboundText, OptOut
from alerts.transports.base import Channel, Outcome

DATA = Path(__file__).parents[1] / "data" / "messaging"
EXAMPLES: dict[str, Any] = json.loads((DATA / "http_examples.json").read_text(encoding="utf-8"))
STATUSES = json.loads((DATA / "message_status.json").read_text(encoding="utf-8"))["outbound"]
PUBLIC = "https://cutcall.example.org"
KEY = "key-of-the-gateway"
INBOUND, STATUS = "/webhooks/sms/inbound", "/webhooks/sms/status"

Ask = Callable[..., httpx.Response]
Post = Callable[..., httpx.Response]


def signed(url: str, form: Mapping[str, str], key: str = KEY) -> str:
    """The signature, made here anew and not by the package."""
    said = url + "".join(f"{name}{form[name]}" for name in sorted(form))
    return base64.b64encode(hmac.digest(key.encode(), said.encode(), "sha1")).decode()


@pytest.fixture
def hooked(web_service: Service, change_settings: Callable[..., None]) -> Service:
    """The service with a key for webhooks; it answers keywords itself."""
    change_settings(sms_webhook_secret=SecretStr(KEY), sms_answers_keywords=False)
    return web_service


@pytest.fixture
def post(hooked: Service, ask: Ask) -> Post:
    """Post a form as the gateway does."""

    def send(path: str, form: Mapping[str, str], **changes: str) -> httpx.Response:
        signature = changes.get("signature", signed(f"{PUBLIC}{path}", form))
        headers = {
            "content-type": "application/x-www-form-urlencoded",
            "x-twilio-signature": signature,
            "host": changes.get("host", "cutcall.example.org"),
        }
        return ask("POST", path, content=urlencode(form), headers=headers)

    return send


def inbound(body: str, sid: str = "SM1", **changes: str) -> dict[str, str]:
    form = {**dict(EXAMPLES["inbound_form"]), "MessageSid": sid, "From": PHONE, "Body": body}
    form.pop("OptOutType")
    return form | changes


def receipt(sid: str, status: str, **changes: str) -> dict[str, str]:
    form = dict(EXAMPLES["status_callback_form"]) | {"MessageSid": sid, "MessageStatus": status}
    if status not in ("undelivered", "failed"):
        form.pop("ErrorCode")
    return form | changes


# ------------------------------------------------------------------------- inbound


def test_signed_text_is_answered_with_silence_and_acted_on(hooked: Service, post: Post) -> None:
    response = post(INBOUND, inbound("cut north"))
    assert response.status_code == 200
    assert response.headers["content-type"].startswith("text/xml")
    assert response.text == EXAMPLES["reply_empty"]
    assert len(hooked.rows(Cut)) == 1
    assert [message.kind for message in hooked.messages()] == ["reply"]


def test_stranger_is_answered_in_the_reply_itself(post: Post) -> None:
    response = post(INBOUND, inbound("hello", From="+12025550199"))
    assert response.text.startswith('<?xml version="1.0" encoding="UTF-8"?><Response><Message>')
    assert f"{PUBLIC}/signup" in response.text


def test_words_of_the_reply_are_escaped(
    hooked: Service, post: Post, change_settings: Callable[..., None]
) -> None:
    change_settings(public_url=PUBLIC, email_reply_to="a&b@example.org")
    response = post(INBOUND, inbound("help", From="+12025550199"))
    assert "a&amp;b@example.org" in response.text


def test_every_field_of_an_inbound_form_may_come(hooked: Service, post: Post) -> None:
    form = dict(EXAMPLES["inbound_form"]) | {"From": PHONE, "New Field": "ñ & more", "Empty": ""}
    assert post(INBOUND, form).status_code == 200
    [row] = hooked.rows(InboundText)
    assert (row.gateway_id, row.body) == (form["MessageSid"], "Stop")
    assert hooked.rows(OptOut)[0].address == PHONE
    assert hooked.messages() == []  # OptOutType: the gateway has answered


def test_text_told_twice_is_taken_once(hooked: Service, post: Post) -> None:
    for _ in range(3):
        assert post(INBOUND, inbound("cut north")).text == EXAMPLES["reply_empty"]
    assert len(hooked.rows(Cut)) == len(hooked.messages()) == 1


@pytest.mark.parametrize("path", [INBOUND, STATUS])
@pytest.mark.parametrize(
    "signature", ["", "nonsense", signed(f"{PUBLIC}{INBOUND}", inbound("stop"), "another-key")]
)
def test_unsigned_request_is_refused_without_a_word(
    hooked: Service, post: Post, path: str, signature: str
) -> None:
    response = post(path, inbound("stop"), signature=signature)
    assert (response.status_code, response.text) == (403, "")
    assert hooked.rows(InboundText) == hooked.rows(OptOut) == []


def test_host_header_is_not_believed(hooked: Service, post: Post) -> None:
    # Whoever can choose the Host could replay what was signed for another service of theirs.
    form = inbound("stop")
    elsewhere = signed(f"https://evil.example.org{INBOUND}", form)
    assert post(INBOUND, form, signature=elsewhere, host="evil.example.org").status_code == 403
    assert post(INBOUND, form, host="evil.example.org").status_code == 200


@pytest.mark.parametrize("missing", ["sms_webhook_secret", "public_url"])
def test_nothing_is_taken_without_a_key_or_a_public_address(
    hooked: Service, post: Post, change_settings: Callable[..., None], missing: str
) -> None:
    change_settings(**{missing: SecretStr("") if "secret" in missing else ""})
    form = inbound("stop")
    for url, key in ((f"{PUBLIC}{INBOUND}", ""), (INBOUND, KEY), (f"{PUBLIC}{INBOUND}", KEY)):
        if missing == "sms_webhook_secret" or url == INBOUND:
            assert post(INBOUND, form, signature=signed(url, form, key)).status_code == 403
    assert hooked.rows(InboundText) == []


def test_key_before_is_good_while_keys_are_changed(
    hooked: Service, post: Post, change_settings: Callable[..., None]
) -> None:
    change_settings(sms_webhook_secret=SecretStr("the-new-key the-old-key"))
    for number, key in enumerate(("the-new-key", "the-old-key")):
        form = inbound("when", f"SM{number}")
        good = post(INBOUND, form, signature=signed(f"{PUBLIC}{INBOUND}", form, key))
        assert good.status_code == 200
    form = inbound("when")
    both = signed(f"{PUBLIC}{INBOUND}", form, "the-new-key the-old-key")
    assert post(INBOUND, form, signature=both).status_code == 403


def test_nul_anywhere_in_a_form_or_an_address_is_left_out(hooked: Service, post: Post) -> None:
    """SQLite would keep it, PostgreSQL refuses the whole statement (from memory)."""
    assert post(INBOUND, inbound("wh\x00en", "SM\x001", To="+1\x00202")).status_code == 200
    [row] = hooked.rows(InboundText)
    assert (row.body, row.gateway_id) == ("when", "SM1")
    webhooks = hooked.parts.sms_webhooks()
    seen = webhooks.receipt([("MessageSid", "SM\x001"), ("MessageStatus", "se\x00nt")])
    assert seen is not None
    assert (seen.gateway_id, seen.status) == ("SM1", "sent")
    assert post(f"{STATUS}?m=%00", receipt("gw-9", "sent")).status_code == 204


def test_body_is_bounded(hooked: Service, post: Post) -> None:
    assert post(INBOUND, inbound("x" * 70_000)).status_code == 413
    many = inbound("when") | {f"field{number}": "x" for number in range(500)}
    assert post(INBOUND, many).status_code == 403  # cannot be read, so cannot be signed
    assert hooked.rows(InboundText) == []


def test_signed_form_without_a_text_is_passed_over(hooked: Service, post: Post) -> None:
    assert post(INBOUND, {"Body": "cut north", "From": PHONE}).text == EXAMPLES["reply_empty"]
    assert hooked.rows(InboundText) == []


def test_body_that_is_no_form_is_refused(ask: Ask, hooked: Service) -> None:
    for content in (b"\xff\xfe", b"{}", b""):
        assert ask("POST", INBOUND, content=content).status_code == 403


# ------------------------------------------------------------------------- receipts


@pytest.fixture
def sent(hooked: Service) -> Service:
    """One text that the gateway took as gw-1."""
    home = put_home(hooked.sessions, farm="Told Farm")
    with hooked.sessions.write() as session:
        outbox.enqueue(session, build_message(home))
    hooked.send()
    return hooked


def test_receipt_moves_the_message(sent: Service, post: Post) -> None:
    response = post(STATUS, receipt("gw-1", "delivered"))
    assert (response.status_code, response.content) == (204, b"")
    assert (sent.message().status, sent.message().gateway_status) == ("delivered", "delivered")


def test_receipt_keeps_the_carriers_code(sent: Service, post: Post) -> None:
    post(STATUS, receipt("gw-1", "undelivered", ErrorCode="30003"))
    assert (sent.message().status, sent.message().error_code) == ("undelivered", "30003")


@pytest.mark.parametrize("first", [row["status"] for row in STATUSES if row["terminal"]])
@pytest.mark.parametrize("late", [row["status"] for row in STATUSES])
def test_late_and_repeated_receipts_change_nothing(
    sent: Service, post: Post, first: str, late: str
) -> None:
    post(STATUS, receipt("gw-1", first))
    settled = sent.message()
    for _ in range(2):
        assert post(STATUS, receipt("gw-1", late)).status_code == 204
    assert sent.message().status == settled.status
    assert len(sent.steps(settled)) == 4


def test_receipts_out_of_order_end_at_the_furthest(sent: Service, post: Post) -> None:
    for status in ("sending", "delivered", "sent", "queued", "accepted"):
        post(STATUS, receipt("gw-1", status))
    message = sent.message()
    assert (message.status, message.gateway_status) == ("delivered", "delivered")


@pytest.mark.parametrize("sid", ["gw-99", ""])
def test_receipt_of_something_else_is_taken_quietly(sent: Service, post: Post, sid: str) -> None:
    before = sent.message().status
    assert post(STATUS, receipt(sid, "delivered")).status_code == 204
    assert post(f"{STATUS}?m=nothing", receipt("gw-98", "delivered")).status_code == 204
    assert sent.message().status == before


def unknown(service: Service) -> Service:
    """A text whose outcome nobody knows: the answer to our request was lost."""
    home = put_home(service.sessions, farm="Told Farm")
    with service.sessions.write() as session:
        outbox.enqueue(session, build_message(home))
    service.sms.say(Outcome.UNKNOWN)
    service.send()
    assert service.message().status == "unknown"
    return service


@pytest.mark.parametrize(("status", "reached"), [("sent", "sent"), ("queued", "accepted")])
def test_receipt_proves_a_text_nobody_knew_of(
    hooked: Service, post: Post, status: str, reached: str
) -> None:
    message = unknown(hooked).message()
    post(f"{STATUS}?m={message.public_id}", receipt("SM77", status))
    found = hooked.message()
    assert (found.status, found.gateway_id) == (reached, "SM77")
    hooked.later(minutes=5)
    hooked.send()
    assert len(hooked.sms.attempts) == 1  # never sent a second time
    assert hooked.sms.asked == []


def test_receipt_stops_a_second_attempt_that_was_about_to_be_made(
    hooked: Service, post: Post
) -> None:
    message = unknown(hooked).message()
    with hooked.sessions.write() as session:
        row = outbox.get(session, message.id)
        row.status, row.second_sends = "queued", 1
        session.add(row)
    post(f"{STATUS}?m={message.public_id}", receipt("SM77", "delivered"))
    hooked.later(minutes=5)
    hooked.send()
    assert (hooked.message().status, len(hooked.sms.attempts)) == ("delivered", 1)


def test_receipt_cannot_take_a_message_that_never_left(hooked: Service, post: Post) -> None:
    home = put_home(hooked.sessions, farm="Told Farm")
    with hooked.sessions.write() as session:
        waiting = outbox.enqueue(session, build_message(home))
        assert waiting is not None
        public_id = waiting.public_id
    post(f"{STATUS}?m={public_id}", receipt("SM77", "delivered"))
    assert (hooked.message().status, hooked.message().gateway_id) == ("queued", "")


def test_receipt_under_another_gateway_id_does_not_replace_the_known_one(
    sent: Service, post: Post
) -> None:
    post(f"{STATUS}?m={sent.message().public_id}", receipt("SM77", "undelivered"))
    assert (sent.message().status, sent.message().gateway_id) == ("accepted", "gw-1")


def test_receipts_are_asked_for_where_they_can_be_signed(hooked: Service) -> None:
    settings = hooked.parts.settings.model_copy(
        update={
            "sms": "rest",
            "sms_url": "https://gateway.example.org",
            "sms_account": "AC1",
            "sms_secret": SecretStr("secret"),
            "sms_sender": "+12025550100",
        }
    )
    for changes, asked in (
        ({}, f"{PUBLIC}{STATUS}"),
        ({"public_url": ""}, ""),
        ({"sms_webhook_secret": SecretStr("")}, ""),
    ):
        transport = build_transports(settings.model_copy(update=changes), hooked.clock)[Channel.SMS]
        assert transport._status_callback == asked  # type: ignore[attr-defined]
