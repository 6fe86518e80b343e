"""The REST transport against the shapes of the interface.

Source of every request, answer and error body: the vendor's OpenAPI description of its
2010-04-01 interface (2026) and a second vendor's compatibility documentation (2026), as kept in
tests/data/messaging/http_examples.json.
"""

from __future__ import annotations

import asyncio
import base64
import csv
import logging
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

import httpx
import pytest
import respx

from alerts.domain.errors import ConfigurationError, TransportError
from alerts.transports.base import Delivery, Outcome, OutgoingMessage, SendResult, Sighting
from alerts.transports.sms_rest import SmsRest, base_of

DATA = Path(__file__).parents[1] / "data" / "messaging"
ACCOUNT = "AC00000000000000000000000000000000"
HOST = "https://gateway.example.org"
MESSAGES = f"{HOST}/2010-04-01/Accounts/{ACCOUNT}/Messages.json"
SECRET = "a-long-secret"
Examples = dict[str, Any]


@pytest.fixture
def make(now: datetime) -> Callable[..., SmsRest]:
    def build(**changes: Any) -> SmsRest:
        settings: dict[str, Any] = {
            "base_url": HOST,
            "account": ACCOUNT,
            "secret": SECRET,
            "sender": "+12025550100",
            "clock": lambda: now,
        }
        return SmsRest(**(settings | changes))

    return build


Make = Callable[..., SmsRest]


def send(transport: SmsRest, message: OutgoingMessage) -> SendResult:
    async def run() -> SendResult:
        try:
            return await transport.send(message)
        finally:
            await transport.aclose()

    return asyncio.run(run())


def find(transport: SmsRest, message: OutgoingMessage) -> Sighting | None:
    return asyncio.run(transport.find(message))


def read_back(transport: SmsRest, gateway_id: str) -> Sighting | None:
    return asyncio.run(transport.read_back(gateway_id))


def answer(transport: SmsRest, message: OutgoingMessage, response: httpx.Response) -> SendResult:
    """Send once to a gateway that answers so; a second request would be an error."""
    with respx.mock(assert_all_called=True) as gateway:
        route = gateway.post(MESSAGES).mock(return_value=response)
        result = send(transport, message)
        assert route.call_count == 1
    return result


def basic(user: str, password: str) -> str:
    return "Basic " + base64.b64encode(f"{user}:{password}".encode()).decode()


def error_body(code: object) -> dict[str, object]:
    return {"code": code, "message": "words", "more_info": "", "status": 400}


class TestRequest:
    def test_form_matches_the_documented_request(
        self, make: Make, text: OutgoingMessage, examples: Examples
    ) -> None:
        wanted = examples["create_request"]
        with respx.mock as gateway:
            route = gateway.post(HOST + wanted["path"]).respond(201, json={"sid": "x"})
            callback = "https://alerts.example.org/hooks/sms-status?a=att_01"
            send(make(status_callback=callback), text)
            request = route.calls.last.request
        form = dict(parse_qsl(request.content.decode()))
        assert form == dict(wanted["form"]) | {"StatusCallback": f"{callback}&m=att_01"}
        assert request.headers["content-type"] == wanted["content_type"]
        assert request.headers["authorization"] == basic(ACCOUNT, SECRET)

    def test_service_replaces_the_sender(self, make: Make, text: OutgoingMessage) -> None:
        with respx.mock as gateway:
            route = gateway.post(MESSAGES).respond(201, json={"sid": "x"})
            send(make(service="MG1", sender=""), text)
            form = dict(parse_qsl(route.calls.last.request.content.decode()))
        assert form["MessagingServiceSid"] == "MG1"
        assert "From" not in form
        assert "StatusCallback" not in form

    def test_key_is_the_user_and_account_stays_in_the_path(
        self, make: Make, text: OutgoingMessage
    ) -> None:
        with respx.mock as gateway:
            route = gateway.post(MESSAGES).respond(201, json={"sid": "x"})
            send(make(key="SK1"), text)
            sent = route.calls.last.request.headers["authorization"]
        assert sent == basic("SK1", SECRET)

    @pytest.mark.parametrize(
        ("lifetime", "validity"),
        [
            (timedelta(seconds=-30), "5"),
            (timedelta(seconds=1), "5"),
            (timedelta(hours=1), "3600"),
            (timedelta(seconds=14401), "14400"),
            (timedelta(days=9), "14400"),
        ],
    )
    def test_validity_is_what_is_left_within_the_limits(
        self, make: Make, text: OutgoingMessage, now: datetime, lifetime: timedelta, validity: str
    ) -> None:
        with respx.mock as gateway:
            route = gateway.post(MESSAGES).respond(201, json={"sid": "x"})
            send(make(), replace(text, expires_at=now + lifetime))
            form = dict(parse_qsl(route.calls.last.request.content.decode()))
        assert form["ValidityPeriod"] == validity

    @pytest.mark.parametrize(
        ("given", "base"),
        [
            (HOST, f"{HOST}/2010-04-01"),
            (f"{HOST}/", f"{HOST}/2010-04-01"),
            (f"{HOST}/2010-04-01", f"{HOST}/2010-04-01"),
            (f" {HOST}/2010-04-01/ ", f"{HOST}/2010-04-01"),
            (f"{HOST}/2010-04-01/Accounts/AC1/", f"{HOST}/2010-04-01"),
            (f"{HOST}/api/laml", f"{HOST}/api/laml/2010-04-01"),
            (f"{HOST}/api/laml/2010-04-01", f"{HOST}/api/laml/2010-04-01"),
            ("http://127.0.0.1:8025", "http://127.0.0.1:8025/2010-04-01"),
        ],
    )
    def test_base_is_forgiving(self, given: str, base: str) -> None:
        assert base_of(given) == base


class TestAccepted:
    @pytest.mark.parametrize(
        ("name", "parts"),
        [
            ("create_response_201", 1),
            ("create_response_service_201", None),  # "0": not counted yet
            ("create_response_signalwire_201", 1),  # an integer, and ids of another form
        ],
    )
    def test_created_message_is_accepted(
        self, make: Make, text: OutgoingMessage, examples: Examples, name: str, parts: int | None
    ) -> None:
        body = examples[name]
        result = answer(make(), text, httpx.Response(201, json=body))
        assert result == SendResult(Outcome.ACCEPTED, gateway_id=body["sid"], parts=parts)

    def test_number_of_parts_that_cannot_be_is_passed_over(
        self, make: Make, text: OutgoingMessage
    ) -> None:
        response = httpx.Response(201, json={"sid": "x", "num_segments": "9" * 5000})
        result = answer(make(), text, response)
        assert result == SendResult(Outcome.ACCEPTED, gateway_id="x", parts=None)

    def test_any_2xx_with_an_id_counts(self, make: Make, text: OutgoingMessage) -> None:
        result = answer(make(), text, httpx.Response(200, json={"sid": "x", "num_segments": "?"}))
        assert result == SendResult(Outcome.ACCEPTED, gateway_id="x", parts=None)


# What each error body of the data file must come to, in the file's order.
EXAMPLE_ERRORS = [
    ("21211", Outcome.REFUSED),
    ("21610", Outcome.OPTED_OUT),
    ("20429", Outcome.LATER),
    ("21717", Outcome.MISCONFIGURED),  # code as a string, HTTP 422
    ("30010", Outcome.REFUSED),  # array form, a code we do not know
    ("20001", Outcome.REFUSED),  # RFC 9457 form
    ("", Outcome.UNKNOWN),  # a proxy's page
]


class TestErrors:
    def test_every_documented_error_body(
        self, make: Make, text: OutgoingMessage, examples: Examples
    ) -> None:
        rows = examples["errors"]
        found = []
        for row in rows:
            body = row["body"]
            kind = {"text": body} if isinstance(body, str) else {"json": body}
            result = answer(make(), text, httpx.Response(row["http"], **kind))
            found.append((result.code, result.outcome))
            assert result.gateway_id == ""
            assert result.detail
        assert found == EXAMPLE_ERRORS

    def test_every_code_of_the_table_that_answers_a_request(
        self, make: Make, text: OutgoingMessage
    ) -> None:
        classes = {
            "config": Outcome.MISCONFIGURED,
            "throttle": Outcome.LATER,
            "ambiguous": Outcome.UNKNOWN,
            "recipient_permanent": Outcome.REFUSED,
            "bug": Outcome.REFUSED,
            "opt_out": Outcome.OPTED_OUT,
        }
        statuses = {"20003": 401, "20404": 404, "20429": 429, "20500": 500, "20503": 503}
        with (DATA / "gateway_error_codes.csv").open(encoding="utf-8", newline="") as lines:
            rows = [row for row in csv.DictReader(lines) if row["stage"] == "api"]
        assert len(rows) == 21
        for row in rows:
            code = row["code"]
            for body_code in (code, int(code)):
                response = httpx.Response(statuses.get(code, 400), json=error_body(body_code))
                result = answer(make(), text, response)
                assert (result.outcome, result.code) == (classes[row["class"]], code)

    def test_block_on_create_counts_as_opt_out(self, make: Make, text: OutgoingMessage) -> None:
        result = answer(make(), text, httpx.Response(400, json=error_body(30004)))
        assert result.outcome is Outcome.OPTED_OUT

    @pytest.mark.parametrize("status", [401, 403, 404])
    @pytest.mark.parametrize("content", [b"<html>no</html>", b'{"code": 99999, "message": "no"}'])
    def test_setup_statuses_call_the_operator(
        self, make: Make, text: OutgoingMessage, status: int, content: bytes
    ) -> None:
        result = answer(make(), text, httpx.Response(status, content=content))
        assert result.outcome is Outcome.MISCONFIGURED

    @pytest.mark.parametrize(
        "response",
        [
            httpx.Response(429, text="slow down"),
            httpx.Response(429, json={"message": "slow down"}),
            httpx.Response(408, json={"code": 99999, "message": "too slow"}),
            httpx.Response(400, text="<html>bad request</html>"),
            httpx.Response(400, json=["not", "an", "object"]),
            httpx.Response(400, json={}),
            httpx.Response(500, json=error_body(20500)),
            httpx.Response(500, json=error_body(21610)),
            httpx.Response(503, text=""),
            httpx.Response(504, text="gateway timeout"),
            httpx.Response(200, json={"status": "queued"}),
            httpx.Response(201, json={"sid": None}),
            httpx.Response(200, text="<html>welcome</html>"),
            httpx.Response(200, text="[" * 100_000),
            httpx.Response(202, text=""),
            httpx.Response(204),
            httpx.Response(301, headers={"Location": f"{HOST}/elsewhere"}),
            httpx.Response(307, headers={"Location": f"{HOST}/elsewhere"}),
        ],
        ids=lambda response: f"{response.status_code}-{response.content[:24]!r}",
    )
    def test_anything_unclear_is_unknown(
        self, make: Make, text: OutgoingMessage, response: httpx.Response
    ) -> None:
        result = answer(make(), text, response)
        assert result.outcome is Outcome.UNKNOWN
        assert result.detail

    @pytest.mark.parametrize("code", [99999, "S1001"])
    def test_unknown_code_in_a_clear_body_is_refused(
        self, make: Make, text: OutgoingMessage, code: object
    ) -> None:
        result = answer(make(), text, httpx.Response(422, json=error_body(code)))
        assert result == SendResult(Outcome.REFUSED, code=str(code), detail="words")

    def test_another_gateways_table_can_be_given(self, make: Make, text: OutgoingMessage) -> None:
        # one gateway uses 21606 for a landline (signalwire/docs, error codes, 2026)
        response = httpx.Response(400, json=error_body(21606))
        assert answer(make(), text, response).outcome is Outcome.MISCONFIGURED
        changed = make(codes={21606: Outcome.REFUSED})
        assert answer(changed, text, response).outcome is Outcome.REFUSED

    @pytest.mark.parametrize(
        ("header", "seconds"),
        [
            ("7", 7.0),
            ("Tue, 24 Nov 2026 15:05:00 GMT", 60.0),
            ("Tue, 24 Nov 2026 15:00:00 GMT", 0.0),
            ("soon", None),
            ("", None),
            ("9" * 400, 86400.0),  # past what a number holds: never a wait without an end
            ("Fri, 31 Dec 9999 23:59:59 GMT", 86400.0),
        ],
    )
    def test_retry_after_is_honoured_when_readable(
        self, make: Make, text: OutgoingMessage, header: str, seconds: float | None
    ) -> None:
        headers = {"Retry-After": header} if header else {}
        response = httpx.Response(429, json=error_body(20429), headers=headers)
        result = answer(make(), text, response)
        assert (result.outcome, result.retry_after_s) == (Outcome.LATER, seconds)


class TestLine:
    @pytest.mark.parametrize(
        "error",
        [
            httpx.ConnectError("refused"),
            httpx.ConnectTimeout("slow"),
            httpx.PoolTimeout("busy"),
            httpx.ProxyError("no tunnel"),
        ],
        ids=lambda error: type(error).__name__,
    )
    def test_what_never_left_may_be_sent_later(
        self, make: Make, text: OutgoingMessage, error: httpx.HTTPError
    ) -> None:
        with respx.mock as gateway:
            route = gateway.post(MESSAGES).mock(side_effect=error)
            result = send(make(), text)
            assert route.call_count == 1
        assert result.outcome is Outcome.LATER

    @pytest.mark.parametrize(
        "error",
        [
            httpx.ReadTimeout("slow"),
            httpx.WriteTimeout("slow"),
            httpx.ReadError("reset"),
            httpx.WriteError("reset"),
            httpx.RemoteProtocolError("nonsense"),
            httpx.DecodingError("bad gzip"),
        ],
        ids=lambda error: type(error).__name__,
    )
    def test_what_may_have_arrived_is_unknown_and_not_repeated(
        self, make: Make, text: OutgoingMessage, error: httpx.HTTPError
    ) -> None:
        with respx.mock as gateway:
            route = gateway.post(MESSAGES).mock(side_effect=error)
            result = send(make(), text)
            assert route.call_count == 1
        assert result.outcome is Outcome.UNKNOWN


def listed(text: OutgoingMessage, **changes: object) -> dict[str, object]:
    row: dict[str, object] = {
        "sid": "SM1",
        "status": "sent",
        "body": text.text,
        "to": text.to,
        "from": None,
        "error_code": None,
        "date_created": "Tue, 24 Nov 2026 15:04:05 +0000",
        "date_sent": None,
    }
    return row | changes


class TestFind:
    def test_documented_list_holds_the_message(
        self, make: Make, text: OutgoingMessage, examples: Examples
    ) -> None:
        with respx.mock as gateway:
            route = gateway.get(MESSAGES).respond(200, json=examples["list_response"])
            found = find(make(), text)
            asked = dict(route.calls.last.request.url.params)
        sid = examples["list_response"]["messages"][0]["sid"]
        assert found == Sighting(sid, Delivery.SENT, "sent")
        # DateSent and From would hide a queued text, or one sent by a service
        assert set(asked) == {"To", "PageSize"}
        assert asked["To"] == text.to

    def test_message_on_a_later_page_is_found(
        self, make: Make, text: OutgoingMessage, examples: Examples
    ) -> None:
        first = examples["list_response"]
        first["messages"][0]["body"] = "Another alert #ZZZZ"
        next_uri = first["next_page_uri"]
        last = {"messages": [listed(text, sid="SM2", error_code=30003)], "next_page_uri": None}
        with respx.mock as gateway:
            gateway.get(HOST + next_uri).respond(200, json=last)
            gateway.get(MESSAGES, params__contains={"To": text.to}).respond(200, json=first)
            found = find(make(), text)
        assert found == Sighting("SM2", Delivery.SENT, "sent", code="30003")

    def test_nothing_listed_is_certainly_not_there(self, make: Make, text: OutgoingMessage) -> None:
        with respx.mock as gateway:
            gateway.get(MESSAGES).respond(200, json={"messages": [], "next_page_uri": None})
            assert find(make(), text) is None

    @pytest.mark.parametrize(
        "changes",
        [
            {"body": "Another alert #ZZZZ"},
            {"body": None},
            {"date_created": "Tue, 24 Nov 2026 15:02:59 +0000"},  # mark used before
            {"sid": None},
        ],
    )
    def test_other_texts_are_passed_over(
        self, make: Make, text: OutgoingMessage, changes: dict[str, object]
    ) -> None:
        with respx.mock as gateway:
            body = {"messages": [listed(text, **changes)], "next_page_uri": None}
            gateway.get(MESSAGES).respond(200, json=body)
            assert find(make(), text) is None

    @pytest.mark.parametrize(
        "changes",
        [
            {"body": "Trial account - Test alert #A7K2"},
            {"body": "Test alert #A7K2 Reply STOP to end"},
            {"date_created": "Tue, 24 Nov 2026 15:03:00 +0000"},  # clocks a minute apart
            {"date_created": "2026-11-24T15:04:05Z"},
            {"date_created": None},
        ],
    )
    def test_the_mark_is_enough(
        self, make: Make, text: OutgoingMessage, changes: dict[str, object]
    ) -> None:
        with respx.mock as gateway:
            body = {"messages": [listed(text, **changes)], "next_page_uri": None}
            gateway.get(MESSAGES).respond(200, json=body)
            assert find(make(), text) is not None

    def test_paging_stops_a_day_before_the_message(self, make: Make, text: OutgoingMessage) -> None:
        old = listed(text, date_created="Mon, 23 Nov 2026 15:03:59 +0000")
        page = {"messages": [old], "next_page_uri": "/2010-04-01/next"}
        with respx.mock as gateway:
            route = gateway.get(MESSAGES).respond(200, json=page)
            assert find(make(), text) is None
            assert route.call_count == 1

    def test_endless_list_is_given_up(self, make: Make, text: OutgoingMessage) -> None:
        path = MESSAGES.removeprefix(HOST)
        page = {"messages": [], "next_page_uri": f"{path}?Page=1"}
        with respx.mock as gateway:
            gateway.get(MESSAGES).respond(200, json=page)
            with pytest.raises(TransportError, match="without an end"):
                find(make(), text)

    @pytest.mark.parametrize(
        "uri", ["https://evil.example.net/x", "http://[", "//evil.example.net"]
    )
    def test_password_does_not_follow_a_link_elsewhere(
        self, make: Make, text: OutgoingMessage, uri: str
    ) -> None:
        with respx.mock as gateway:
            gateway.get(MESSAGES).respond(200, json={"messages": [], "next_page_uri": uri})
            with pytest.raises(TransportError, match="next page"):
                find(make(), text)

    @pytest.mark.parametrize(
        "response",
        [
            httpx.Response(401, json=error_body(20003)),
            httpx.Response(503, text="later"),
            httpx.Response(302, headers={"Location": f"{HOST}/login"}),
            httpx.Response(200, text="<html>"),
            httpx.Response(200, json={"rows": []}),
        ],
        ids=lambda response: str(response.status_code),
    )
    def test_gateway_that_does_not_list_cannot_be_asked(
        self, make: Make, text: OutgoingMessage, response: httpx.Response
    ) -> None:
        with respx.mock as gateway:
            gateway.get(MESSAGES).mock(return_value=response)
            with pytest.raises(TransportError, match=r"gateway\.example\.org") as caught:
                find(make(), text)
        assert SECRET not in str(caught.value)

    def test_broken_line_cannot_be_asked(self, make: Make, text: OutgoingMessage) -> None:
        with respx.mock as gateway:
            gateway.get(MESSAGES).mock(side_effect=httpx.ReadTimeout("slow"))
            with pytest.raises(TransportError, match="did not answer"):
                find(make(), text)


class TestReadBack:
    @pytest.mark.parametrize(
        ("status", "code", "delivery"),
        [
            ("queued", None, Delivery.PENDING),
            ("sent", None, Delivery.SENT),
            ("delivered", None, Delivery.DELIVERED),
            ("undelivered", 30003, Delivery.UNDELIVERED),
            ("failed", "30005", Delivery.UNDELIVERED),
            ("teleported", None, Delivery.PENDING),
        ],
    )
    def test_status_is_told_in_our_words_and_kept_raw(
        self, make: Make, text: OutgoingMessage, status: str, code: object, delivery: Delivery
    ) -> None:
        row = listed(text, status=status, error_code=code)
        with respx.mock as gateway:
            gateway.get(MESSAGES.replace(".json", "/SM1.json")).respond(200, json=row)
            found = read_back(make(), "SM1")
        assert found == Sighting("SM1", delivery, status, code=str(code or ""))

    def test_message_the_gateway_does_not_hold(self, make: Make) -> None:
        with respx.mock as gateway:
            gateway.get(MESSAGES.replace(".json", "/SM1.json")).respond(404, json=error_body(20404))
            assert read_back(make(), "SM1") is None

    def test_no_id_asks_nobody(self, make: Make) -> None:
        assert read_back(make(), "") is None

    @pytest.mark.parametrize(
        "response",
        [httpx.Response(500, text=""), httpx.Response(200, json={"status": "sent"})],
        ids=lambda response: str(response.status_code),
    )
    def test_unclear_answer_is_an_error(self, make: Make, response: httpx.Response) -> None:
        with respx.mock as gateway:
            gateway.get(MESSAGES.replace(".json", "/SM1.json")).mock(return_value=response)
            with pytest.raises(TransportError):
                read_back(make(), "SM1")


class TestSetup:
    @pytest.mark.parametrize(
        ("changes", "named"),
        [
            ({"base_url": "gateway.example.org"}, "gateway.example.org"),
            ({"base_url": ""}, "address of a text gateway"),
            ({"account": ""}, "account"),
            ({"secret": ""}, "secret"),
            ({"sender": ""}, "sender or service"),
        ],
    )
    def test_missing_part_is_named(self, make: Make, changes: dict[str, str], named: str) -> None:
        with pytest.raises(ConfigurationError, match=named):
            make(**changes)

    def test_given_client_is_left_open(self, make: Make, text: OutgoingMessage) -> None:
        async def run() -> bool:
            transport = httpx.MockTransport(lambda _: httpx.Response(201, json={"sid": "x"}))
            async with httpx.AsyncClient(transport=transport) as client:
                sms = make(client=client)
                await sms.send(text)
                await sms.aclose()
                return client.is_closed

        assert asyncio.run(run()) is False

    def test_logs_hold_neither_secret_nor_text(
        self, make: Make, text: OutgoingMessage, caplog: pytest.LogCaptureFixture
    ) -> None:
        with caplog.at_level(logging.DEBUG):
            answer(make(), text, httpx.Response(400, json=error_body(21211)))
        assert SECRET not in caplog.text
        assert text.text not in caplog.text


# ------------------------------------------------------------------ the gateway's clock


def time_there(transport: SmsRest, response: httpx.Response | Exception) -> datetime | None:
    account = f"{HOST}/2010-04-01/Accounts/{ACCOUNT}.json"
    with respx.mock:
        respx.get(account).mock(side_effect=[response])
        return asyncio.run(transport.time_there())


@pytest.mark.parametrize("status", [200, 401, 404, 503])
def test_time_there_is_the_date_of_any_answer(make: Make, status: int) -> None:
    # The date of RFC 9110 (2022), section 5.6.7.
    response = httpx.Response(status, headers={"Date": "Sun, 06 Nov 1994 08:49:37 GMT"})
    assert time_there(make(), response) == datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)


@pytest.mark.parametrize("headers", [{}, {"Date": ""}, {"Date": "soon"}])
def test_time_there_is_unknown_without_a_readable_date(make: Make, headers: dict[str, str]) -> None:
    assert time_there(make(), httpx.Response(200, headers=headers)) is None


def test_time_there_of_a_gateway_that_cannot_be_reached_is_an_error(make: Make) -> None:
    with pytest.raises(TransportError, match="did not answer"):
        time_there(make(), httpx.ConnectError("certificate has expired"))


# ------------------------------------------------------------------------- logging in


def log_in(transport: SmsRest, response: httpx.Response | Exception) -> respx.Route:
    with respx.mock:
        route = respx.get(url__startswith=MESSAGES).mock(side_effect=[response])
        asyncio.run(transport.log_in())
        return route


def test_log_in_asks_for_one_text_and_sends_none(make: Make) -> None:
    route = log_in(make(), httpx.Response(200, json={"messages": []}))
    [call] = route.calls
    assert call.request.method == "GET"
    assert call.request.url.params["PageSize"] == "1"
    scheme, _, login = call.request.headers["Authorization"].partition(" ")
    assert (scheme, base64.b64decode(login)) == ("Basic", f"{ACCOUNT}:{SECRET}".encode())


@pytest.mark.parametrize(
    ("response", "said"),
    [
        (httpx.Response(401, json={"code": 20003, "message": "Authenticate"}), "HTTP 401 Auth"),
        (httpx.Response(404), "HTTP 404"),
        (httpx.Response(200, json={}), "without a list of messages"),
        (httpx.ConnectError("refused"), "did not answer"),
    ],
)
def test_log_in_says_what_to_check(
    make: Make, response: httpx.Response | Exception, said: str
) -> None:
    with pytest.raises(TransportError, match=said) as raised:
        log_in(make(), response)
    assert "check its address and credentials" in str(raised.value)
    assert SECRET not in str(raised.value)
