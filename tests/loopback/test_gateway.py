"""The loopback gateway through the real transport, and where needed bare.

Source of the interface: the vendor's OpenAPI description of its 2010-04-01 interface, 2026.
"""

from __future__ import annotations

import ast
import asyncio
import importlib.util
import json
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

import httpx
import pytest

from alerts.domain.errors import TransportError
from alerts.loopback.gateway import Fault, LoopbackGateway, Reply, StoredText, parts_of
from alerts.transports.base import Delivery, Outcome, OutgoingMessage, SendResult
from alerts.transports.sms_rest import SmsRest

T = TypeVar("T")
SENDER = "+12025550100"


@pytest.fixture
def arrived() -> list[StoredText]:
    return []


@pytest.fixture
def gateway(now: datetime, arrived: list[StoredText]) -> Iterator[LoopbackGateway]:
    with LoopbackGateway(clock=lambda: now, on_message=arrived.append) as server:
        yield server


def with_transport(
    gateway: LoopbackGateway, act: Callable[[SmsRest], Awaitable[T]], **changes: Any
) -> T:
    settings: dict[str, Any] = {
        "base_url": gateway.base_url,
        "account": gateway.account,
        "secret": gateway.secret,
        "sender": SENDER,
        "clock": gateway._clock,
        "timeout_s": 5.0,
    }

    async def run() -> T:
        transport = SmsRest(**(settings | changes))
        try:
            return await act(transport)
        finally:
            await transport.aclose()

    return asyncio.run(run())


def send(gateway: LoopbackGateway, text: OutgoingMessage, **changes: Any) -> SendResult:
    return with_transport(gateway, lambda sms: sms.send(text), **changes)


def test_text_is_kept_and_announced(
    gateway: LoopbackGateway, arrived: list[StoredText], text: OutgoingMessage, now: datetime
) -> None:
    callback = "https://alerts.example.org/hooks/sms"
    result = send(gateway, text, status_callback=callback)
    (kept,) = gateway.texts
    assert arrived == [kept]
    assert result == SendResult(Outcome.ACCEPTED, gateway_id=kept.sid, parts=1)
    assert kept == StoredText(
        sid=kept.sid,
        to=text.to,
        sender=SENDER,
        service="",
        body=text.text,
        created_at=now,
        status="queued",
        status_callback=f"{callback}?m=att_01",
        validity_s=7200,
    )


def test_ids_are_shaped_like_the_vendors_and_repeatable(
    text: OutgoingMessage, now: datetime
) -> None:
    runs = []
    for _ in range(2):
        with LoopbackGateway(clock=lambda: now) as gateway:
            for _ in range(3):
                send(gateway, text)
            runs.append([kept.sid for kept in gateway.texts])
    assert runs[0] == runs[1]
    assert len(set(runs[0])) == 3
    assert all(len(sid) == 34 and sid.startswith("SM") for sid in runs[0])


def test_reading_back_shows_the_journey(gateway: LoopbackGateway, text: OutgoingMessage) -> None:
    sid = send(gateway, text).gateway_id
    seen = [with_transport(gateway, lambda sms: sms.read_back(sid)) for _ in range(3)]
    assert [(s.status, s.delivery) for s in seen if s] == [
        ("sent", Delivery.SENT),
        ("delivered", Delivery.DELIVERED),
        ("delivered", Delivery.DELIVERED),
    ]


def test_unreachable_number_ends_undelivered(
    gateway: LoopbackGateway, text: OutgoingMessage
) -> None:
    gateway.mark_unreachable(text.to)
    sid = send(gateway, text).gateway_id
    for _ in range(3):
        seen = with_transport(gateway, lambda sms: sms.read_back(sid))
    assert seen is not None
    assert (seen.delivery, seen.code) == (Delivery.UNDELIVERED, "30003")


def test_journey_can_be_chosen(text: OutgoingMessage, now: datetime) -> None:
    with LoopbackGateway(clock=lambda: now, journey=("accepted",)) as gateway:
        sid = send(gateway, text).gateway_id
        seen = with_transport(gateway, lambda sms: sms.read_back(sid))
    assert seen is not None
    assert seen.status == "accepted"


def test_unknown_id_is_not_there(gateway: LoopbackGateway) -> None:
    assert with_transport(gateway, lambda sms: sms.read_back("SM0")) is None


@pytest.mark.parametrize(
    ("fields", "code"),
    [
        ({"To": ""}, 21604),
        ({"To": "2025550143"}, 21211),
        ({"To": "+1202555014x"}, 21211),
        ({"Body": ""}, 21602),
        ({"Body": "x" * 1601}, 21617),
        ({"From": ""}, 21705),
        ({"To": "+12025550199"}, 21610),
    ],
)
def test_faulty_request_gets_the_documented_code(
    gateway: LoopbackGateway, fields: dict[str, str], code: int
) -> None:
    # Source: error dictionary of the interface's vendor, 2023 snapshot
    gateway.mark_opted_out("+12025550199")
    good = {"To": "+12025550143", "From": SENDER, "Body": "hello"}
    response = httpx.post(
        f"{gateway.base_url}/Accounts/{gateway.account}/Messages.json",
        data=good | fields,
        auth=(gateway.account, gateway.secret),
    )
    assert response.status_code == 400
    assert response.json()["code"] == code
    assert gateway.texts == ()


def test_opted_out_number_is_told_by_the_transport(text: OutgoingMessage, now: datetime) -> None:
    with LoopbackGateway(clock=lambda: now, opted_out=[text.to]) as gateway:
        assert send(gateway, text).outcome is Outcome.OPTED_OUT


def test_wrong_credentials_and_account_are_turned_away(
    gateway: LoopbackGateway, text: OutgoingMessage
) -> None:
    wrong_secret = send(gateway, text, secret="other")
    wrong_account = send(gateway, text, account="AC1", key=gateway.account)
    assert (wrong_secret.outcome, wrong_secret.code) == (Outcome.MISCONFIGURED, "20003")
    assert (wrong_account.outcome, wrong_account.code) == (Outcome.MISCONFIGURED, "20404")
    url = f"{gateway.base_url}/Accounts/{gateway.account}/Messages.json"
    for header in ("", "Basic ???", "Basic /w==", "Bearer eDp5"):
        assert httpx.get(url, headers={"Authorization": header}).status_code == 401


def test_service_key_and_path_are_accepted(text: OutgoingMessage, now: datetime) -> None:
    with LoopbackGateway(clock=lambda: now, key="SK1", account="AC9") as gateway:
        result = send(gateway, text, key="SK1", sender="", service="MG1")
        (kept,) = gateway.texts
    assert result.outcome is Outcome.ACCEPTED
    assert (kept.sender, kept.service) == ("", "MG1")


@pytest.mark.parametrize(
    ("fault", "outcome"),
    [
        (Fault(Reply.DROP), Outcome.UNKNOWN),
        (Fault(Reply.DROP, keeps=True), Outcome.UNKNOWN),
        (Fault(Reply.RESET), Outcome.UNKNOWN),
        (Fault(Reply.RESET, keeps=True), Outcome.UNKNOWN),
        (Fault(Reply.BUSY), Outcome.LATER),
        (Fault(Reply.BUSY_UNNAMED), Outcome.UNKNOWN),
        (Fault(Reply.SERVER_ERROR), Outcome.UNKNOWN),
        (Fault(Reply.SERVER_ERROR, keeps=True), Outcome.UNKNOWN),
        (Fault(Reply.GARBAGE), Outcome.UNKNOWN),
        (Fault(Reply.GARBAGE, keeps=True), Outcome.UNKNOWN),
        (Fault(keeps=True, delay_s=30.0), Outcome.UNKNOWN),
    ],
    ids=lambda value: f"{value.reply}-{value.keeps}" if isinstance(value, Fault) else None,
)
def test_after_a_fault_the_text_is_found_exactly_when_it_was_taken(
    gateway: LoopbackGateway, text: OutgoingMessage, fault: Fault, outcome: Outcome
) -> None:
    gateway.script(fault)
    result = send(gateway, text, timeout_s=0.3)
    assert result.outcome is outcome
    found = with_transport(gateway, lambda sms: sms.find(text))
    assert [kept.sid for kept in gateway.texts] == ([found.gateway_id] if found else [])
    assert (found is not None) == fault.keeps


def test_faults_are_used_once_and_in_order(gateway: LoopbackGateway, text: OutgoingMessage) -> None:
    gateway.script(Fault(Reply.BUSY, retry_after_s=7), Fault(Reply.SERVER_ERROR))
    results = [send(gateway, text) for _ in range(3)]
    assert [result.outcome for result in results] == [
        Outcome.LATER,
        Outcome.UNKNOWN,
        Outcome.ACCEPTED,
    ]
    assert results[0].retry_after_s == 7.0
    assert len(gateway.texts) == 1


def test_list_is_paged_newest_first(gateway: LoopbackGateway, text: OutgoingMessage) -> None:
    for number in range(5):
        send(gateway, replace(text, text=f"text {number}"))
    send(gateway, replace(text, to="+12025550111"))
    url = f"{gateway.base_url}/Accounts/{gateway.account}/Messages.json"
    host = gateway.base_url.removesuffix("/2010-04-01")
    query = {"To": text.to, "From": SENDER, "PageSize": "2"}
    pages = [httpx.get(url, params=query, auth=(gateway.account, gateway.secret)).json()]
    while pages[-1]["next_page_uri"]:
        following = host + pages[-1]["next_page_uri"]
        pages.append(httpx.get(following, auth=(gateway.account, gateway.secret)).json())
    bodies = [[row["body"] for row in page["messages"]] for page in pages]
    assert bodies == [["text 4", "text 3"], ["text 2", "text 1"], ["text 0"]]
    assert [page["previous_page_uri"] is None for page in pages] == [True, False, False]
    none = httpx.get(url, params={"From": "+12025550112"}, auth=(gateway.account, gateway.secret))
    assert none.json()["messages"] == []


def test_message_object_has_the_documented_fields(
    gateway: LoopbackGateway, text: OutgoingMessage
) -> None:
    data = Path(__file__).parents[1] / "data" / "messaging" / "http_examples.json"
    documented = json.loads(data.read_text(encoding="utf-8"))
    send(gateway, text)
    url = f"{gateway.base_url}/Accounts/{gateway.account}/Messages.json"
    page = httpx.get(url, auth=(gateway.account, gateway.secret)).json()
    assert set(page) == set(documented["list_response"])
    wanted = documented["create_response_201"]
    (row,) = page["messages"]
    assert set(row) == set(wanted) - {"subresource_uris"}
    assert row["date_created"] == "Wed, 20 May 2026 12:00:00 +0000"
    for name in ("num_segments", "direction", "api_version", "error_code", "status"):
        assert row[name] == wanted[name]


def test_find_reads_past_the_first_page(now: datetime, text: OutgoingMessage) -> None:
    moment = now
    with LoopbackGateway(clock=lambda: moment) as gateway:

        async def fill(sms: SmsRest) -> None:
            await sms.send(text)
            for number in range(120):
                await sms.send(replace(text, text=f"later {number}", mark=f"later {number}"))

        with_transport(gateway, fill)
        found = with_transport(gateway, lambda sms: sms.find(text))
        assert found is not None
        assert found.gateway_id == gateway.texts[0].sid
        # a season later the same mark belongs to another message
        again = replace(text, created_at=now + timedelta(days=300))
        assert with_transport(gateway, lambda sms: sms.find(again)) is None


def test_many_senders_at_once_lose_nothing(
    gateway: LoopbackGateway, arrived: list[StoredText], text: OutgoingMessage
) -> None:
    async def flood(sms: SmsRest) -> list[SendResult]:
        messages = [replace(text, text=f"text {number}") for number in range(60)]
        return await asyncio.gather(*(sms.send(message) for message in messages))

    results = with_transport(gateway, flood)
    assert {result.outcome for result in results} == {Outcome.ACCEPTED}
    sids = {result.gateway_id for result in results}
    assert len(sids) == 60
    assert {kept.sid for kept in gateway.texts} == sids == {kept.sid for kept in arrived}


def test_stopped_gateway_cannot_be_reached_and_comes_back_with_its_texts(
    text: OutgoingMessage, now: datetime
) -> None:
    gateway = LoopbackGateway(clock=lambda: now)
    gateway.stop()  # harmless before the start
    gateway.start()
    address = gateway.base_url
    send(gateway, text)
    gateway.stop()
    assert send(gateway, text).outcome is Outcome.LATER
    with pytest.raises(TransportError):
        with_transport(gateway, lambda sms: sms.find(text))
    with gateway:
        assert gateway.base_url == address
        assert with_transport(gateway, lambda sms: sms.find(text)) is not None


def test_hook_that_fails_changes_nothing(text: OutgoingMessage, now: datetime) -> None:
    def fail(_: StoredText) -> None:
        raise RuntimeError("screen gone")

    with LoopbackGateway(clock=lambda: now, on_message=fail) as gateway:
        assert send(gateway, text).outcome is Outcome.ACCEPTED
        assert with_transport(gateway, lambda sms: sms.find(text)) is not None


@pytest.mark.parametrize(
    ("length", "parts"), [(1, 1), (160, 1), (161, 2), (306, 2), (307, 3), (459, 3)]
)
def test_parts_follow_the_septet_arithmetic(length: int, parts: int) -> None:
    # Source: 3GPP TS 23.038 and 23.040: 160 septets alone, 153 in each of several parts
    assert parts_of("x" * length) == parts


def test_parts_shrink_beyond_ascii() -> None:
    # Source: 3GPP TS 23.038 and 23.040: 70 UCS-2 units alone, 67 in each of several parts
    assert [parts_of("½" * length) for length in (70, 71, 134, 135)] == [1, 2, 2, 3]


@pytest.mark.parametrize("name", ["gateway", "mailbox", "webserver"])
def test_servers_do_not_lean_on_the_client_library(name: str) -> None:
    spec = importlib.util.find_spec(f"alerts.loopback.{name}")
    assert spec is not None
    assert spec.origin is not None
    tree = ast.parse(Path(spec.origin).read_text(encoding="utf-8"))
    named = {
        alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.Import)
        for alias in node.names
    } | {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert not {module for module in named if module and module.startswith("httpx")}
    assert not {module for module in named if module and module.startswith("alerts.transports")}
