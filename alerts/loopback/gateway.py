"""A text gateway on this machine: the widespread REST message interface over plain HTTP.

It keeps texts in memory, lets them travel to 'delivered' as they are read back, and can be told
to fail in the ways a real gateway or the line to it fails: fault by fault, or by chance.
"""

from __future__ import annotations

import logging
import re
import threading
from collections import Counter, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from hashlib import sha256
from types import TracebackType
from typing import Self

from alerts.loopback.phones import PhoneText, phones_page
from alerts.loopback.receipts import Errands, ReceiptFault
from alerts.loopback.texts import API_VERSION, StoredText, TextShelf, parts_of
from alerts.loopback.webhooks import Webhooks
from alerts.loopback.webserver import Answer, Ending, LoopbackServer, Request

__all__ = ["Fault", "LoopbackGateway", "ReceiptFault", "Reply", "StoredText", "parts_of"]

log = logging.getLogger(__name__)

PATH = re.compile(rf"/{API_VERSION}/Accounts/(?P<account>[^/]+)/Messages(?:/(?P<sid>[^/]+))?\.json")
NUMBER = re.compile(r"\+[1-9]\d{6,14}")
LONGEST_BODY = 1600
PHONES = "/phones"
JOURNEY = ("queued", "sent", "delivered")
"""Statuses of a text in the order in which reading it back shows them."""


class Reply(StrEnum):
    """What the next sender of a text, or the next who asks, gets to see."""

    NORMAL = "normal"
    DROP = "drop"  # the connection ends without an answer
    CUT_SHORT = "cut_short"  # the connection ends in the middle of the answer
    RESET = "reset"  # the connection breaks
    BUSY = "busy"  # 429 with the code that says 'not processed'
    BUSY_UNNAMED = "busy_unnamed"  # 429 as a proxy gives it
    SERVER_ERROR = "server_error"  # 500
    GARBAGE = "garbage"  # 200 and no message in it


@dataclass(frozen=True, slots=True)
class Fault:
    """One answer to one attempt to send, or to one question.

    `keeps` says whether the gateway has taken the text before it fails; questions have no use for
    it. `delay_s` is waited after the text was taken [s].
    """

    reply: Reply = Reply.NORMAL
    keeps: bool = False
    delay_s: float = 0.0
    retry_after_s: int | None = None


Misbehaviour = Callable[[], Fault]


class LoopbackGateway:
    """The gateway; use it as a context manager, or call `start` and `stop`.

    Parameters
    ----------
    clock : gives the present, aware; dates every text and every answer
    on_message : called for every accepted text, on a thread of the server; may fail or wait
    account, key, secret : what HTTP Basic and the path must carry; `key` "" = the account
    port : 0 = a free one, known after `start`
    unreachable : numbers whose texts end 'undelivered' with code 30003
    opted_out : numbers refused with code 21610
    journey : statuses a text passes, one further with each time it is read by its id
    webhooks : where and with which key webhooks are posted; None = none are. A text with a
        StatusCallback then passes its journey by itself, each step told there
    phones : whether /phones shows what each phone got, with a form to text back
    misbehaviour : asked for every attempt to send that no `script` speaks of
    read_misbehaviour : the same for every question, of a list or of one text
    receipt_misbehaviour : the same for every receipt, on threads of their own but one at a time
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
        misbehaviour: Misbehaviour = Fault,
        read_misbehaviour: Misbehaviour = Fault,
        receipt_misbehaviour: Callable[[], ReceiptFault] = ReceiptFault,
    ) -> None:
        self.account, self.key, self.secret = account, key or account, secret
        self._clock = clock
        self._on_message = on_message
        self._journey = journey
        self._unreachable, self._opted_out = set(unreachable), set(opted_out)
        self._shelf = TextShelf(account, journey, self._unreachable)
        self._faults: deque[Fault] = deque()
        self._misbehaviour, self._read_misbehaviour = misbehaviour, read_misbehaviour
        self._receipt_misbehaviour = receipt_misbehaviour
        self._lock = threading.RLock()
        self._webhooks, self._shows_phones = webhooks, phones
        self._said: list[PhoneText] = []
        self._errands = Errands()
        self._seen: Counter[str] = Counter()
        self._server = LoopbackServer(self._answer, port=port, clock=clock, waits=self._waits)

    @property
    def base_url(self) -> str:
        """Address for a transport, version segment included; known once started."""
        return f"{self._server.url}/{API_VERSION}"

    @property
    def texts(self) -> tuple[StoredText, ...]:
        """Every text taken so far, oldest first."""
        return self._shelf.all()

    def held(self) -> Counter[tuple[str, str]]:
        """How often each (number, body) was taken: more than 1 is a text sent twice."""
        return self._shelf.held()

    @property
    def seen(self) -> Counter[str]:
        """How many it has seen so far of 'send', 'list', 'read' and 'receipt', and in each the
        faults, such as 'send drop' and 'send drop kept'."""
        with self._lock:
            return self._seen.copy()

    def start(self) -> None:
        """Listen; after a stop, again on the same port and with the same texts."""
        self._server.start()

    def stop(self) -> None:
        """Stop listening, once texts on their way have told of their steps."""
        self._errands.stop()
        self._server.stop()

    def tell_all(self) -> None:
        """Wait until every receipt has been told, late ones included."""
        self._errands.finish()

    @property
    def phones_url(self) -> str:
        """The page of all phones; known once started."""
        return f"{self._server.url}{PHONES}"

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

    def _waits(self, request: Request) -> bool:
        """Whether an answer may have to wait for others: a receiver of webhooks, or a hook."""
        has_hook = self._on_message is not None and request.method == "POST"
        return has_hook or request.path == PHONES

    def _answer(self, request: Request) -> Answer:
        if self._shows_phones and request.path == PHONES:
            return self._phones(request)
        place = PATH.fullmatch(request.path)
        if request.credentials != (self.key, self.secret):
            return _error(401, 20003, "Authenticate")
        if place is None or place["account"] != self.account:
            return _error(404, 20404, f"The requested resource {request.path} was not found")
        if place["sid"]:
            return self._asked("read", lambda: self._one(place["sid"]))
        if request.method == "POST":
            return self._create(request.fields)
        return self._asked("list", lambda: self._list(request))

    def _create(self, fields: dict[str, str]) -> Answer:
        with self._lock:
            fault = self._faults.popleft() if self._faults else self._misbehaviour()
        self._count("send", fault)
        answer = self._complaint(fields)
        if answer is None and (fault.keeps or fault.reply is Reply.NORMAL):
            answer = self._accept(fields)
        return _spoilt(answer, fault)

    def _asked(self, what: str, answer: Callable[[], Answer]) -> Answer:
        fault = self._read_misbehaviour()
        self._count(what, fault)
        return _spoilt(answer(), fault)

    def _count(self, what: str, fault: Fault) -> None:
        kept = " kept" if fault.keeps else ""
        slow = " slow" if fault.delay_s else ""
        with self._lock:
            self._seen[what] += 1
            if fault != NO_FAULT:
                self._seen[f"{what} {fault.reply.value}{kept}{slow}"] += 1

    def _accept(self, fields: dict[str, str]) -> Answer:
        text = self._shelf.take(fields, self._clock())
        self._announce(text)
        if self._webhooks is not None and text.status_callback:
            self._travel(self._webhooks, text.sid, len(self._journey) - 1)
        return Answer(201, self._shelf.shown(text))

    def _announce(self, text: StoredText) -> None:
        if self._on_message is None:
            return
        try:
            self._on_message(text)
        except Exception:  # the text is kept; a broken display must not look like a refusal
            log.exception("the hook for arriving texts failed")

    def _travel(self, webhooks: Webhooks, sid: str, steps: int) -> None:
        """Tell each of the next steps of a text as it happens; nobody is told of the first."""
        if steps:
            self._errands.add(lambda: self._step(webhooks, sid, steps))

    def _step(self, webhooks: Webhooks, sid: str, steps: int) -> None:
        text = self._shelf.move_on(sid)
        with self._lock:
            fault = self._receipt_misbehaviour()
            self._seen["receipt"] += fault.times
            if fault != ReceiptFault():
                late = " late" if fault.delay_s else ""
                self._seen[f"receipt told {fault.times} times{late}"] += 1
        for _ in range(fault.times if text else 0):
            assert text is not None
            if fault.delay_s:
                self._errands.add(lambda: self._tell(webhooks, text), fault.delay_s)
            else:
                self._tell(webhooks, text)
        self._travel(webhooks, sid, steps - 1)

    def _tell(self, webhooks: Webhooks, text: StoredText) -> None:
        code = str(text.error_code or "")
        webhooks.status(
            text.status_callback, self.account, text.sid, text.sender, text.to, text.status, code
        )

    def _phones(self, request: Request) -> Answer:
        """The page of all phones; a posted form is somebody's text to us."""
        if request.method == "POST" and request.fields.get("from") and self._webhooks:
            self.text_in(request.fields["from"], request.fields.get("body", ""))
            return Answer(303, "", headers={"Location": PHONES})
        got = [PhoneText(t.to, t.body, t.created_at, sent=False) for t in self.texts]
        with self._lock:
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

    def _one(self, sid: str) -> Answer:
        text = self._shelf.move_on(sid)
        if text is None:
            return _error(404, 20404, f"The message {sid} was not found")
        return Answer(200, self._shelf.shown(text))

    def _list(self, request: Request) -> Answer:
        return Answer(200, self._shelf.page(request.path, request.fields))


def _spoilt(answer: Answer | None, fault: Fault) -> Answer:
    """The answer as the fault lets it through; without one, there is only the fault's."""
    if fault.reply is Reply.CUT_SHORT and answer is not None:
        answer = replace(answer, ending=Ending.CUT_SHORT)
    elif fault.reply is not Reply.NORMAL or answer is None:
        answer = FAULTY[fault.reply]
    wait = fault.retry_after_s
    headers = {} if wait is None else {"Retry-After": str(wait)}
    return replace(answer, delay_s=fault.delay_s, headers=headers)


def _error(status: int, code: int, message: str) -> Answer:
    return Answer(status, {"code": code, "message": message, "more_info": "", "status": status})


NO_FAULT = Fault()

FAULTY = {
    Reply.DROP: Answer(500, ending=Ending.DROPPED),
    Reply.CUT_SHORT: Answer(201, {"status": "queued"}, ending=Ending.CUT_SHORT),
    Reply.RESET: Answer(500, ending=Ending.RESET),
    Reply.BUSY: _error(429, 20429, "Too Many Requests"),
    Reply.BUSY_UNNAMED: Answer(429, "slow down"),
    Reply.SERVER_ERROR: _error(500, 20500, "Internal Server Error"),
    Reply.GARBAGE: Answer(200, "<html>welcome</html>"),
}
