"""A text gateway on this machine: the widespread REST message interface over plain HTTP.

It keeps texts in memory, lets them travel to 'delivered' as they are read back, and can be told
to fail in the ways a real gateway or the line to it fails.
"""

from __future__ import annotations

import logging
import re
import threading
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from email.utils import format_datetime
from enum import StrEnum
from hashlib import sha256
from types import TracebackType
from typing import Self
from urllib.parse import urlencode

from alerts.loopback.phones import PhoneText, phones_page
from alerts.loopback.webhooks import Webhooks
from alerts.loopback.webserver import Answer, Ending, LoopbackServer, Request

log = logging.getLogger(__name__)

API_VERSION = "2010-04-01"
PATH = re.compile(rf"/{API_VERSION}/Accounts/(?P<account>[^/]+)/Messages(?:/(?P<sid>[^/]+))?\.json")
NUMBER = re.compile(r"\+[1-9]\d{6,14}")
LONGEST_BODY = 1600
PAGE_SIZE, LARGEST_PAGE = 50, 1000
JOURNEY = ("queued", "sent", "delivered")
"""Statuses of a text in the order in which reading it back shows them."""


class Reply(StrEnum):
    """What the next sender of a text gets to see."""

    NORMAL = "normal"
    DROP = "drop"  # the connection ends without an answer
    RESET = "reset"  # the connection breaks
    BUSY = "busy"  # 429 with the code that says 'not processed'
    BUSY_UNNAMED = "busy_unnamed"  # 429 as a proxy gives it
    SERVER_ERROR = "server_error"  # 500
    GARBAGE = "garbage"  # 200 and no message in it


@dataclass(frozen=True, slots=True)
class Fault:
    """One scripted answer to one attempt to send.

    `keeps` says whether the gateway has taken the text before it fails.
    """

    reply: Reply = Reply.NORMAL
    keeps: bool = False
    delay_s: float = 0.0
    retry_after_s: int | None = None


@dataclass(frozen=True, slots=True)
class StoredText:
    """One text as the gateway holds it."""

    sid: str
    to: str
    sender: str
    service: str
    body: str
    created_at: datetime
    status: str
    error_code: int | None = None
    status_callback: str = ""
    validity_s: int | None = None


class LoopbackGateway:
    """The gateway; use it as a context manager, or call `start` and `stop`.

    Parameters
    ----------
    clock : gives the present, aware; dates every text
    on_message : called for every accepted text, on a thread of the server; may fail
    account, key, secret : what HTTP Basic and the path must carry; `key` "" = the account
    port : 0 = a free one, known after `start`
    unreachable : numbers whose texts end 'undelivered' with code 30003
    opted_out : numbers refused with code 21610
    journey : statuses a text passes, one further with each time it is read by its id
    webhooks : where and with which key webhooks are posted; None = none are. A text with a
        StatusCallback then passes its journey by itself, each step told there
    phones : whether /phones shows what each phone got, with a form to text back
    """

    def __init__(
        self,
        *,
        clock: Callable[[], datetime],
        on_message: Callable[[StoredText], None] | None = None,
        account: str = "AC00000000000000000000000000000000",
        key: str = "",
        secret: str = "loopback",  # noqa: S107 - guards nothing
        port: int = 0,
        unreachable: Iterable[str] = (),
        opted_out: Iterable[str] = (),
        journey: tuple[str, ...] = JOURNEY,
        webhooks: Webhooks | None = None,
        phones: bool = False,
    ) -> None:
        self.account, self.key, self.secret = account, key or account, secret
        self._clock = clock
        self._on_message = on_message
        self._journey = journey
        self._unreachable, self._opted_out = set(unreachable), set(opted_out)
        self._texts: dict[str, StoredText] = {}
        self._faults: deque[Fault] = deque()
        self._lock = threading.RLock()
        self._webhooks, self._shows_phones = webhooks, phones
        self._said: list[PhoneText] = []
        self._travels: list[threading.Thread] = []
        self._server = LoopbackServer(self._answer, port=port)

    @property
    def base_url(self) -> str:
        """Address for a transport, version segment included; known once started."""
        return f"{self._server.url}/{API_VERSION}"

    @property
    def texts(self) -> tuple[StoredText, ...]:
        """Every text taken so far, oldest first."""
        with self._lock:
            return tuple(self._texts.values())

    def start(self) -> None:
        """Listen; after a stop, again on the same port and with the same texts."""
        self._server.start()

    def stop(self) -> None:
        """Stop listening, once texts on their way have told of their steps."""
        for travel in self._travels:
            travel.join()
        self._travels.clear()
        self._server.stop()

    @property
    def phones_url(self) -> str:
        """The page of all phones; known once started."""
        return f"{self._server.url}/phones"

    def text_in(self, from_: str, body: str, to: str = "+12025550100") -> int:
        """Let somebody text us: posts the signed webhook; returns the status it got.

        ValueError where no webhook address was given; httpx.HTTPError where nobody answers.
        """
        if self._webhooks is None:
            raise ValueError("the loopback gateway was given no address to post texts to")
        with self._lock:
            self._said.append(PhoneText(from_, body, self._clock(), sent=True))
            number = len(self._said)
        sid = f"SM{sha256(f'in {number}'.encode()).hexdigest()[:32]}"
        status, answer = self._webhooks.text_in(self.account, sid, from_, to, body)
        if answer:
            with self._lock:
                self._said.append(PhoneText(from_, answer, self._clock(), sent=False))
        return status

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def script(self, *faults: Fault) -> None:
        """Answer the next attempts to send so, one fault each, then normally again."""
        with self._lock:
            self._faults.extend(faults)

    def mark_unreachable(self, number: str) -> None:
        with self._lock:
            self._unreachable.add(number)

    def mark_opted_out(self, number: str) -> None:
        with self._lock:
            self._opted_out.add(number)

    def _answer(self, request: Request) -> Answer:
        if self._shows_phones and request.path == "/phones":
            return self._phones(request)
        place = PATH.fullmatch(request.path)
        if request.credentials != (self.key, self.secret):
            return _error(401, 20003, "Authenticate")
        if place is None or place["account"] != self.account:
            return _error(404, 20404, f"The requested resource {request.path} was not found")
        if place["sid"]:
            return self._one(place["sid"])
        return self._create(request.fields) if request.method == "POST" else self._list(request)

    def _create(self, fields: dict[str, str]) -> Answer:
        with self._lock:
            fault = self._faults.popleft() if self._faults else Fault()
        answer = self._complaint(fields)
        if answer is None and (fault.keeps or fault.reply is Reply.NORMAL):
            answer = self._accept(fields)
        if fault.reply is not Reply.NORMAL or answer is None:
            answer = FAULTY[fault.reply]
        wait = fault.retry_after_s
        headers = {} if wait is None else {"Retry-After": str(wait)}
        return replace(answer, delay_s=fault.delay_s, headers=headers)

    def _accept(self, fields: dict[str, str]) -> Answer:
        with self._lock:
            text = self._take(fields)
        self._announce(text)
        if self._webhooks is not None and text.status_callback:
            travel = threading.Thread(target=self._travel, args=(self._webhooks, text.sid))
            self._travels.append(travel)
            travel.start()
        return Answer(201, self._json(text))

    def _announce(self, text: StoredText) -> None:
        if self._on_message is None:
            return
        try:
            self._on_message(text)
        except Exception:  # the text is kept; a broken display must not look like a refusal
            log.exception("the hook for arriving texts failed")

    def _travel(self, webhooks: Webhooks, sid: str) -> None:
        """Tell each step of a text as it happens; nobody is told of the first."""
        for _ in self._journey[1:]:
            with self._lock:
                self._texts[sid] = text = self._moved_on(self._texts[sid])
            code = str(text.error_code or "")
            webhooks.status(
                text.status_callback, self.account, sid, text.sender, text.to, text.status, code
            )

    def _phones(self, request: Request) -> Answer:
        """The page of all phones; a posted form is somebody's text to us."""
        if request.method == "POST" and request.fields.get("from") and self._webhooks:
            self.text_in(request.fields["from"], request.fields.get("body", ""))
            return Answer(303, "", headers={"Location": "/phones"})
        with self._lock:
            got = [PhoneText(t.to, t.body, t.created_at, sent=False) for t in self._texts.values()]
            said = sorted([*got, *self._said], key=lambda text: text.at)
        return Answer(200, phones_page(said), "text/html; charset=utf-8")

    def _complaint(self, fields: dict[str, str]) -> Answer | None:
        to, body = fields.get("To", ""), fields.get("Body", "")
        if not to:
            return _error(400, 21604, "A 'To' phone number is required.")
        if not NUMBER.fullmatch(to):
            return _error(400, 21211, f"The 'To' number {to} is not a valid phone number.")
        if not (fields.get("From") or fields.get("MessagingServiceSid")):
            return _error(400, 21705, "A 'From' number or a messaging service is required.")
        if not body:
            return _error(400, 21602, "Message body is required.")
        if len(body) > LONGEST_BODY:
            return _error(400, 21617, f"The body exceeds {LONGEST_BODY} characters.")
        if to in self._opted_out:
            return _error(400, 21610, "Attempt to send to unsubscribed recipient")
        return None

    def _take(self, fields: dict[str, str]) -> StoredText:
        validity = fields.get("ValidityPeriod", "")
        text = StoredText(
            sid=f"SM{sha256(str(len(self._texts)).encode()).hexdigest()[:32]}",
            to=fields["To"],
            sender=fields.get("From", ""),
            service=fields.get("MessagingServiceSid", ""),
            body=fields["Body"],
            created_at=self._clock(),
            status=self._journey[0],
            status_callback=fields.get("StatusCallback", ""),
            validity_s=int(validity) if validity.isdigit() else None,
        )
        self._texts[text.sid] = text
        return text

    def _one(self, sid: str) -> Answer:
        with self._lock:
            text = self._texts.get(sid)
            if text is None:
                return _error(404, 20404, f"The message {sid} was not found")
            self._texts[sid] = text = self._moved_on(text)
        return Answer(200, self._json(text))

    def _moved_on(self, text: StoredText) -> StoredText:
        if text.status not in self._journey[:-1]:
            return text
        status = self._journey[self._journey.index(text.status) + 1]
        if status == self._journey[-1] and text.to in self._unreachable:
            return replace(text, status="undelivered", error_code=30003)
        return replace(text, status=status)

    def _list(self, request: Request) -> Answer:
        wanted = request.fields
        with self._lock:
            newest_first = list(reversed(self._texts.values()))
        rows = [
            self._json(text)
            for text in newest_first
            if wanted.get("To", text.to) == text.to
            and wanted.get("From", text.sender) == text.sender
        ]
        size = min(max(1, _number(wanted.get("PageSize"), PAGE_SIZE)), LARGEST_PAGE)
        page = _number(wanted.get("Page"), 0)
        start = page * size
        more = start + size < len(rows)
        return Answer(
            200,
            {
                "messages": rows[start : start + size],
                "page": page,
                "page_size": size,
                "start": start,
                "end": max(start, min(start + size, len(rows)) - 1),
                "uri": _page_uri(request, page, size),
                "first_page_uri": _page_uri(request, 0, size),
                "previous_page_uri": _page_uri(request, page - 1, size) if page else None,
                "next_page_uri": _page_uri(request, page + 1, size) if more else None,
            },
        )

    def _json(self, text: StoredText) -> dict[str, object]:
        created = format_datetime(text.created_at.astimezone(UTC))
        return {
            "account_sid": self.account,
            "api_version": API_VERSION,
            "body": text.body,
            "date_created": created,
            "date_sent": None if text.status == self._journey[0] else created,
            "date_updated": created,
            "direction": "outbound-api",
            "error_code": text.error_code,
            "error_message": None,
            "from": text.sender or None,
            "messaging_service_sid": text.service or None,
            "num_media": "0",
            "num_segments": str(parts_of(text.body)),
            "price": None,
            "price_unit": None,
            "sid": text.sid,
            "status": text.status,
            "to": text.to,
            "uri": f"/{API_VERSION}/Accounts/{self.account}/Messages/{text.sid}.json",
        }


def parts_of(body: str) -> int:
    """Number of parts of a text, roughly: characters beyond ASCII are counted as UCS-2."""
    whole, joined = (160, 153) if body.isascii() else (70, 67)
    return 1 if len(body) <= whole else -(-len(body) // joined)


def _error(status: int, code: int, message: str) -> Answer:
    return Answer(status, {"code": code, "message": message, "more_info": "", "status": status})


def _number(raw: str | None, default: int) -> int:
    return int(raw) if raw and raw.isascii() and raw.isdigit() else default


def _page_uri(request: Request, page: int, size: int) -> str:
    kept = [(name, request.fields[name]) for name in ("To", "From") if name in request.fields]
    return f"{request.path}?{urlencode([*kept, ('PageSize', size), ('Page', page)])}"


FAULTY = {
    Reply.DROP: Answer(500, ending=Ending.DROPPED),
    Reply.RESET: Answer(500, ending=Ending.RESET),
    Reply.BUSY: _error(429, 20429, "Too Many Requests"),
    Reply.BUSY_UNNAMED: Answer(429, "slow down"),
    Reply.SERVER_ERROR: _error(500, 20500, "Internal Server Error"),
    Reply.GARBAGE: Answer(200, "<html>welcome</html>"),
}
