"""A farmer texts back over real HTTP: loopback gateway, the web server and the sender."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from threading import Thread

import pytest
import uvicorn
from factories import NOON, PHONE, Service, day
from pydantic import SecretStr

from alerts.bootstrap import build_transports
from alerts.loopback.gateway import LoopbackGateway
from alerts.loopback.webhooks import Webhooks
from alerts.services.delivery.dispatch import dispatch_due
from alerts.store.tables import Cut, OptOut
from alerts.transports.base import Channel
from alerts.web.app import build_app

PATIENCE_S = 20.0
KEY = "key-of-the-journey"


def wait_until(happened: Callable[[], bool], what: str) -> None:
    until = time.monotonic() + PATIENCE_S
    while not happened():
        assert time.monotonic() < until, f"{what} did not happen within {PATIENCE_S:.0f} s"
        time.sleep(0.02)


@pytest.fixture
def address() -> str:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return f"http://127.0.0.1:{free.getsockname()[1]}"


@pytest.fixture
def gateway(address: str) -> Iterator[LoopbackGateway]:
    webhooks = Webhooks(f"{address}/webhooks/sms/inbound", KEY)
    with LoopbackGateway(clock=lambda: NOON, webhooks=webhooks, phones=True) as server:
        yield server


@pytest.fixture
def running(service: Service, gateway: LoopbackGateway, address: str) -> Iterator[Service]:
    """The service with its web server up and its texts going through the gateway."""
    settings = service.parts.settings.model_copy(
        update={
            "public_url": address,
            "sms": "rest",
            "sms_url": gateway.base_url,
            "sms_account": gateway.account,
            "sms_secret": SecretStr(gateway.secret),
            "sms_sender": "+12025550100",
            "sms_webhook_secret": SecretStr(KEY),
            "sms_answers_keywords": False,
        }
    )
    service.parts = replace(service.parts, settings=settings)
    port = int(address.rpartition(":")[2])
    server = uvicorn.Server(
        uvicorn.Config(build_app(service.parts), port=port, log_level="error", lifespan="off")
    )
    thread = Thread(target=server.run)
    thread.start()
    wait_until(lambda: server.started, "the web server")
    service.enrol({"field": "North"}, {"field": "Creek"})
    service.results({"rfv": 205}, {"rfv": 215, "field": "Creek"})
    service.evaluate()
    yield service
    server.should_exit = True
    thread.join()


def send(service: Service) -> None:
    async def once() -> None:
        transports = build_transports(service.parts.settings, service.clock)
        sms = {Channel.SMS: transports[Channel.SMS]}
        await dispatch_due(service.sessions, sms, service.parts.sending_rules(), "s", service.clock)
        for transport in transports.values():
            await transport.aclose()

    asyncio.run(once())


def arrived(service: Service) -> Callable[[], bool]:
    return lambda: all(message.status == "delivered" for message in service.messages())


def test_farmer_asks_waits_cuts_and_stops(running: Service, gateway: LoopbackGateway) -> None:
    send(running)  # the morning's text; its receipts come by themselves
    wait_until(arrived(running), "the receipt")
    said: list[str] = []
    for body in ("When?", "why", "north 28 30 31 bud", "cut north", "STOP"):
        assert gateway.text_in(PHONE, body) == 200
        send(running)
        wait_until(arrived(running), f"the answer to {body}")
        said.append(gateway.texts[-1].body)
    assert [text.to for text in gateway.texts] == [PHONE] * 6
    for answer, needed in zip(
        said,
        ("start about", "to store 160", "about RFV", "North recorded as cut Mon May 10", "no more"),
        strict=True,
    ):
        assert needed in answer
    assert [cut.cut_on for cut in running.rows(Cut)] == [day(0)]
    assert running.rows(OptOut)[0].address == PHONE
    running.evaluate()
    send(running)
    assert len(gateway.texts) == 6
