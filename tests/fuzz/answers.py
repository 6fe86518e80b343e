"""Fuzzers of what others' servers answer: text gateways, mail servers, the weather service."""

from __future__ import annotations

import asyncio
import json
import ssl
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import aiosmtplib
import httpx
from fuzz.material import DATA, DAYS, NUMBERS, TOKENS, json_bodies
from fuzz.running import Fuzzer, plain
from hypothesis import strategies as st

from alerts.agronomy.growth import AIR_RANGE_F
from alerts.domain.errors import TransportError, WeatherError
from alerts.transports.base import Outcome, OutgoingMessage, SendResult, Sighting
from alerts.transports.gateway_codes import CODES
from alerts.transports.sms_rest import SmsRest, is_same, result_of, sighting_of
from alerts.transports.smtp import Step, outcome_of_break, outcome_of_reply
from alerts.weather.gridpoint import days_of, grid_address

NOW = datetime(2026, 11, 24, 15, tzinfo=UTC)
CENTRAL = ZoneInfo("America/Chicago")
EXAMPLES = json.loads((DATA / "messaging" / "http_examples.json").read_text(encoding="utf-8"))
CREATED = tuple(
    EXAMPLES[name]
    for name in ("create_response_201", "create_response_service_201",
                 "create_response_signalwire_201")
)  # fmt: skip
ERRORS = tuple(one["body"] for one in EXAMPLES["errors"] if isinstance(one.get("body"), dict))
PAGES = tuple(
    {"messages": [row, row], "next_page_uri": uri, "page": 0}
    for row in CREATED
    for uri in ("", None, "/2010-04-01/Accounts/AC1/Messages.json?Page=1", "?Page=2")
)
DATES = st.sampled_from(
    (*DAYS, "Tue, 24 Nov 2026 15:04:05 +0000", "Tue, 24 Nov 2026 15:04:05 +9999",
     "Tue, 24 Nov 0001 15:04:05 +2359", "Tue, 31 Dec 9999 23:59:59 -2359", "Tue, 24 Nov 99999",
     "Mon, 1 Jan 2026 99:99:99 GMT", "Thu, 01 Jan 1970", ",,,,",
     "Tue, 24 Nov 2026 15:04:05 -99999999")
)  # fmt: skip
CODE_WORDS = st.sampled_from(tuple(str(code) for code in CODES)) | st.sampled_from(NUMBERS)
URIS = st.sampled_from(
    ("https://other.example.org/x", "//other.example.org", "http://[", "http://a:b", "file:///x",
     "https://gateway.example.org:99999/", "\x00", "?", "#", "https://gateway.example.org@x/")
)  # fmt: skip
LEAVES: st.SearchStrategy[object] = (
    DATES | CODE_WORDS | URIS | TOKENS | st.integers() | st.floats() | st.sampled_from(tuple(CODES))
)
STATUSES = st.sampled_from(
    (200, 201, 202, 204, 301, 302, 400, 401, 403, 404, 408, 409, 418, 422, 429, 500, 502, 503, 599)
)
HEADER_TEXT = (DATES | CODE_WORDS | TOKENS).map(
    lambda text: text.encode("latin-1", "replace").replace(b"\r", b"").replace(b"\n", b"")
)
HEADERS = st.lists(
    st.tuples(st.sampled_from((b"Retry-After", b"Date", b"Content-Type")), HEADER_TEXT), max_size=3
)
ANSWERS = st.tuples(STATUSES, HEADERS, json_bodies(CREATED + ERRORS, LEAVES))
LIST_ANSWERS = st.tuples(STATUSES, HEADERS, json_bodies(PAGES, LEAVES))

Answer = tuple[int, list[tuple[bytes, bytes]], bytes]

MESSAGE = OutgoingMessage(
    message_id="m-1",
    to="+12025550143",
    text="Test alert #A7K2",
    mark="#A7K2",
    created_at=NOW,
    expires_at=NOW + timedelta(hours=3),
)


def _response(answer: Answer) -> httpx.Response:
    status, headers, body = answer
    request = httpx.Request("POST", "https://gateway.example.org/2010-04-01/x")
    return httpx.Response(status, headers=headers, content=body, request=request)


def _sound(result: SendResult) -> None:
    """A result our tables and our arithmetic can hold."""
    wait = result.retry_after_s
    assert wait is None or wait >= 0
    assert wait is None or NOW + timedelta(seconds=wait) < NOW + timedelta(days=2)
    assert result.parts is None or result.parts > 0


def check_result(answer: Answer) -> None:
    """Any answer is one of the outcomes; only a success with an id is an acceptance."""
    result = result_of(_response(answer), CODES, NOW)
    _sound(result)
    if result.outcome is Outcome.ACCEPTED:
        assert 200 <= answer[0] < 300
        assert result.gateway_id
    if answer[0] >= 500:
        assert result.outcome is Outcome.UNKNOWN
    with suppress(ValueError, RecursionError):
        row = json.loads(answer[2])
        if isinstance(row, dict):
            _seen(sighting_of(row))
            is_same(row, MESSAGE)


def _seen(sighting: Sighting | None) -> None:
    assert sighting is None or sighting.gateway_id


def check_asked(answers: list[Answer]) -> None:
    """The whole transport: it sends without raising, and asking raises TransportError only."""
    asyncio.run(_talk(answers))


async def _talk(answers: list[Answer]) -> None:
    turns = iter(range(10_000))

    def answer(request: httpx.Request) -> httpx.Response:
        assert request.url.host == "gateway.example.org"  # the password goes nowhere else
        return _response(answers[next(turns) % len(answers)])

    async with httpx.AsyncClient(transport=httpx.MockTransport(answer)) as client:
        gateway = SmsRest(
            base_url="https://gateway.example.org",
            account="AC1",
            secret="s",
            clock=lambda: NOW,
            sender="+12025550100",
            client=client,
        )
        _sound(await gateway.send(MESSAGE))
        for question in (gateway.find(MESSAGE), gateway.read_back("SM1"), gateway.time_there()):
            with suppress(TransportError):
                await question


# ---------------------------------------------------------------------------- mail

BREAKS: tuple[Exception, ...] = (
    aiosmtplib.SMTPServerDisconnected("gone"),
    aiosmtplib.SMTPConnectError("no"),
    aiosmtplib.SMTPTimeoutError("slow"),
    aiosmtplib.SMTPNotSupported("none"),
    aiosmtplib.SMTPException("?"),
    OSError(104, "reset"),
    TimeoutError(),
    ssl.SSLCertVerificationError("bad"),
    ssl.SSLEOFError(),
    UnicodeEncodeError("ascii", "ñ", 0, 1, "no"),
    ValueError("no"),
)


def check_reply(given: tuple[int, Step, Exception]) -> None:
    """Only a reply to the text itself may leave open whether it was taken; none is acceptance."""
    code, step, broken = given
    for outcome in (outcome_of_reply(code, step), outcome_of_break(broken, step)):
        assert outcome is not Outcome.ACCEPTED
        if step is not Step.CONTENT:
            assert outcome is not Outcome.UNKNOWN
    if 400 <= code < 500:
        assert outcome_of_reply(code, step) is Outcome.LATER


# ------------------------------------------------------------------------- weather

LAYER = {
    "uom": "wmoUnit:degC",
    "values": [
        {"validTime": "2026-05-14T12:00:00+00:00/PT13H", "value": 20.0},
        {"validTime": "2026-05-15T12:00:00+00:00/PT13H", "value": 10.0},
    ],
}
RAIN = {
    "uom": "wmoUnit:mm",
    "values": [{"validTime": "2026-05-14T12:00:00+00:00/PT6H", "value": 3.0}],
}
GRIDS: tuple[object, ...] = (
    {"type": "Feature", "properties": {"maxTemperature": LAYER, "minTemperature": LAYER}},
    {
        "properties": {
            "maxTemperature": LAYER,
            "minTemperature": LAYER,
            "quantitativePrecipitation": RAIN,
            "probabilityOfPrecipitation": {**RAIN, "uom": "wmoUnit:percent"},
        }
    },
    {"properties": {"forecastGridData": "https://weather.example.org/gridpoints/XYZ/1,2"}},
)
INTERVALS = st.builds(
    lambda start, end: f"{start}/{end}",
    st.sampled_from((*DAYS, "2026-05-14T12:00:00+00:00", "2026-05-14T12:00:00Z")),
    st.sampled_from((*DAYS, "PT13H", "P1DT2H", "P31D", "P32D", "PT0S", "P1M", "PT1e400S", "P-1D")),
)
UNITS = st.sampled_from(("wmoUnit:degF", "unit:degC", "percent", "mm", ":", "::", "Cel"))
WEATHER_LEAVES: st.SearchStrategy[object] = INTERVALS | UNITS | st.floats() | LEAVES


def check_grid(body: bytes) -> None:
    """Refused as a whole, or days in order that are possible."""
    for read in (lambda: days_of(body, CENTRAL), lambda: grid_address(body)):
        try:
            found = read()
        except WeatherError as refusal:
            assert str(refusal).strip()
            continue
        if isinstance(found, str):
            assert found
            continue
        days = [one.day for one in found]
        assert days == sorted(set(days)) != []
        for one in found:
            assert AIR_RANGE_F[0] <= one.tmin_f <= one.tmax_f <= AIR_RANGE_F[1]
            assert one.rain_in is None or one.rain_in >= 0
            assert one.rain_chance_pct is None or 0 <= one.rain_chance_pct <= 100


FUZZERS: tuple[Fuzzer, ...] = (
    plain("gateway-answer", ANSWERS, check_result),
    plain(
        "gateway-talk", st.lists(ANSWERS | LIST_ANSWERS, min_size=1, max_size=4), check_asked,
        examples=40,
    ),
    plain(
        "smtp-replies",
        st.tuples(st.integers(-1, 1000), st.sampled_from(Step), st.sampled_from(BREAKS)),
        check_reply,
    ),
    plain("weather-service", json_bodies(GRIDS, WEATHER_LEAVES), check_grid),
)  # fmt: skip
