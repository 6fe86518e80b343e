"""What the loopback gateway posts, received by a server that checks the signature.

Source of the forms: `inbound_form` and `status_callback_form` of
tests/data/messaging/http_examples.json.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from html.parser import HTMLParser
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any
from urllib.parse import parse_qsl

import httpx
import pytest

from alerts.loopback.gateway import LoopbackGateway
from alerts.loopback.webhooks import Webhooks
from alerts.transports.base import OutgoingMessage
from alerts.transports.signatures import Webhook, WebhookKeys, is_signed
from alerts.transports.sms_rest import SmsRest

DATA = Path(__file__).parents[1] / "data" / "messaging" / "http_examples.json"
EXAMPLES: dict[str, Any] = json.loads(DATA.read_text(encoding="utf-8"))
KEY = "key-of-the-loopback"
PHONE = "+12025550143"


@dataclass
class Receiver:
    """Keeps the forms that were signed for its address; answers with ``twiml``."""

    url: str = ""
    forms: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    unsigned: int = 0
    twiml: str = "<Response/>"
    status: int = 200
    public_url: str = ""

    def take(self, path: str, headers: dict[str, str], body: bytes) -> None:
        form = tuple(parse_qsl(body.decode(), keep_blank_values=True))
        webhook = Webhook(f"{self.public_url or self.url}{path}", headers, form, body)
        if is_signed(webhook, WebhookKeys((KEY,))):
            self.forms.append((path, dict(form)))
        else:
            self.unsigned += 1


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    kept = Receiver()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            kept.take(self.path, {k.lower(): v for k, v in self.headers.items()}, body)
            answer = kept.twiml.encode()
            self.send_response(kept.status)
            self.send_header("Content-Length", str(len(answer)))
            self.end_headers()
            self.wfile.write(answer)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002
            """Quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    kept.url = f"http://127.0.0.1:{server.server_address[1]}"
    thread = Thread(target=server.serve_forever, args=(0.01,))
    thread.start()
    yield kept
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture
def gateway(receiver: Receiver, now: datetime) -> Iterator[LoopbackGateway]:
    webhooks = Webhooks(f"{receiver.url}/in", KEY)
    with LoopbackGateway(clock=lambda: now, webhooks=webhooks, phones=True) as server:
        yield server


def send(gateway: LoopbackGateway, text: OutgoingMessage, callback: str) -> None:
    async def run() -> None:
        transport = SmsRest(
            base_url=gateway.base_url,
            account=gateway.account,
            secret=gateway.secret,
            sender="+12025550100",
            clock=gateway._clock,
            status_callback=callback,
        )
        await transport.send(text)
        await transport.aclose()

    asyncio.run(run())


def test_text_in_is_signed_and_has_the_form_of_a_gateway(
    gateway: LoopbackGateway, receiver: Receiver
) -> None:
    assert gateway.text_in(PHONE, "Cortamos el norte, ayer ñ & 100%") == 200
    [(path, form)] = receiver.forms
    assert (path, receiver.unsigned) == ("/in", 0)
    assert (form["From"], form["Body"]) == (PHONE, "Cortamos el norte, ayer ñ & 100%")
    assert set(form) <= set(dict(EXAMPLES["inbound_form"]))


def test_each_text_has_an_id_of_its_own(gateway: LoopbackGateway, receiver: Receiver) -> None:
    for _ in range(3):
        gateway.text_in(PHONE, "when")
    assert len({form["MessageSid"] for _, form in receiver.forms}) == 3


def test_receiver_behind_another_name_gets_what_is_signed_for_that_name(
    receiver: Receiver, now: datetime
) -> None:
    receiver.public_url = "https://cutcall.example.org"
    webhooks = Webhooks(
        "https://cutcall.example.org/in", KEY, "https://cutcall.example.org", receiver.url
    )
    with LoopbackGateway(clock=lambda: now, webhooks=webhooks) as gateway:
        gateway.text_in(PHONE, "when")
    assert (len(receiver.forms), receiver.unsigned) == (1, 0)


@pytest.mark.parametrize("unreachable", [False, True])
def test_text_tells_each_step_of_its_journey_but_the_first(
    gateway: LoopbackGateway, receiver: Receiver, text: OutgoingMessage, unreachable: bool
) -> None:
    if unreachable:
        gateway.mark_unreachable(text.to)
    send(gateway, text, f"{receiver.url}/status")
    gateway.stop()  # waits for what is on its way
    gateway.start()
    steps = [form["MessageStatus"] for _, form in receiver.forms]
    assert steps == ["sent", "undelivered" if unreachable else "delivered"]
    assert {path for path, _ in receiver.forms} == {f"/status?m={text.message_id}"}
    assert receiver.unsigned == 0
    last = receiver.forms[-1][1]
    assert last.get("ErrorCode", "") == ("30003" if unreachable else "")
    assert set(last) <= set(dict(EXAMPLES["status_callback_form"]))
    assert gateway.texts[0].status == steps[-1]


def test_no_receipts_without_a_key(
    receiver: Receiver, text: OutgoingMessage, now: datetime
) -> None:
    with LoopbackGateway(clock=lambda: now) as gateway:
        send(gateway, text, f"{receiver.url}/status")
        assert gateway.texts[0].status == "queued"
        with pytest.raises(ValueError, match="no address"):
            gateway.text_in(PHONE, "when")
    assert receiver.forms == []


def test_receipt_that_finds_nobody_does_no_harm(
    gateway: LoopbackGateway, text: OutgoingMessage
) -> None:
    send(gateway, text, "http://127.0.0.1:9/status")
    gateway.stop()
    gateway.start()
    assert gateway.texts[0].status == "delivered"


# --------------------------------------------------------------------------- phones


class Page(HTMLParser):
    """What of a page matters to somebody who cannot see it."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.labels: set[str] = set()
        self.inputs: list[dict[str, str | None]] = []
        self.tags: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        said = dict(attrs)
        if tag == "label":
            self.labels.add(said["for"] or "")
        if tag == "input" and said.get("type") != "hidden":
            self.inputs.append(said)


def test_page_of_phones_shows_what_each_got_and_lets_it_answer(
    gateway: LoopbackGateway, receiver: Receiver, text: OutgoingMessage
) -> None:
    send(gateway, text, "")
    shown = httpx.get(gateway.phones_url)
    assert shown.headers["content-type"] == "text/html; charset=utf-8"
    assert text.text in shown.text
    answer = httpx.post(gateway.phones_url, data={"from": text.to, "body": "wait 3 <b>"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/phones")
    assert receiver.forms[0][1]["Body"] == "wait 3 <b>"
    assert "wait 3 &lt;b&gt;" in httpx.get(gateway.phones_url).text


def test_words_that_come_with_the_reply_arrive_on_the_phone(
    gateway: LoopbackGateway, receiver: Receiver
) -> None:
    receiver.twiml = (
        "<?xml version='1.0'?><Response><Message>We do not know &amp; ask</Message></Response>"
    )
    gateway.text_in(PHONE, "hello")
    assert "We do not know &amp; ask" in httpx.get(gateway.phones_url).text


@pytest.mark.parametrize("twiml", ["", "not xml", "<!DOCTYPE a [<!ENTITY b 'c'>]><Response/>"])
def test_reply_that_is_none_is_passed_over(
    gateway: LoopbackGateway, receiver: Receiver, twiml: str
) -> None:
    receiver.twiml, receiver.status = twiml, 500
    assert gateway.text_in(PHONE, "hello") == 500


def test_every_control_of_the_page_has_a_label_and_no_script_is_needed(
    gateway: LoopbackGateway, text: OutgoingMessage
) -> None:
    send(gateway, text, "")
    page = Page(httpx.get(gateway.phones_url).text)
    assert {control["id"] for control in page.inputs} == page.labels
    assert len(page.inputs) == 3
    assert "script" not in page.tags


def test_page_is_there_only_where_it_is_wanted(now: datetime) -> None:
    with LoopbackGateway(clock=lambda: now) as gateway:
        assert httpx.get(gateway.phones_url).status_code == 401
