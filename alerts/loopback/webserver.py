"""A small HTTP server on 127.0.0.1 that can also fail to answer, as real lines do.

It is written on bare asyncio connections, because faults such as 'taken, then reset' need the
socket, and because one thread then answers some thousand requests a second.
"""

from __future__ import annotations

import asyncio
import base64
import binascii
import json
import logging
import socket
import struct
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import format_datetime
from enum import StrEnum
from http import HTTPStatus
from typing import cast
from urllib.parse import parse_qsl, urlsplit

log = logging.getLogger(__name__)

HOST = "127.0.0.1"
BACKLOG = 1024
IDLE_S = 10.0
MOST_WAITING = 64
LARGEST_REQUEST = 1024 * 1024
END_S = 20.0
"""How long stopping waits for exchanges under way."""


class Ending(StrEnum):
    """How an exchange ends."""

    ANSWERED = "answered"
    DROPPED = "dropped"  # closed without a word
    CUT_SHORT = "cut_short"  # closed in the middle of the answer
    RESET = "reset"  # torn down


@dataclass(frozen=True, slots=True)
class Request:
    method: str
    path: str
    fields: dict[str, str]  # of the query, and of the form where there is one
    credentials: tuple[str, str]  # user and password of HTTP Basic, or two empty strings


@dataclass(frozen=True, slots=True)
class Answer:
    status: int
    body: object = None  # sent as JSON, text as it is
    content_type: str = "application/json"
    headers: dict[str, str] = field(default_factory=dict)
    delay_s: float = 0.0
    ending: Ending = Ending.ANSWERED


class LoopbackServer:
    """Answers every request by one function, on one thread; a connection carries one request."""

    def __init__(
        self,
        answer: Callable[[Request], Answer],
        *,
        port: int = 0,
        clock: Callable[[], datetime] | None = None,
        waits: Callable[[Request], bool] = lambda _: False,
    ) -> None:
        """``clock`` dates every answer; without one none is dated.

        Requests of which ``waits`` is true are answered on threads of their own, since the answer
        waits for somebody else; all others must be answered at once.
        """
        self.answer, self.clock, self.waits = answer, clock, waits
        self._port = port
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self._listener: asyncio.Server | None = None
        self.exchanges: set[_Exchange] = set()

    @property
    def url(self) -> str:
        """Address without a trailing slash; a free port is known from the first start on."""
        return f"http://{HOST}:{self._port}"

    def start(self) -> None:
        """Listen and answer on a background thread. Raises OSError when the port is taken."""
        bare = socket.create_server((HOST, self._port), backlog=BACKLOG)
        self._port = bare.getsockname()[1]
        self._loop = asyncio.new_event_loop()
        self._loop.set_default_executor(ThreadPoolExecutor(MOST_WAITING))
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        asyncio.run_coroutine_threadsafe(self._listen(bare), self._loop).result()

    async def _listen(self, bare: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        self._listener = await loop.create_server(
            lambda: _Exchange(self), sock=bare, backlog=BACKLOG
        )

    def stop(self) -> None:
        """Stop listening and cut waits short; does nothing when not started."""
        if self._loop is None or self._thread is None:
            return
        asyncio.run_coroutine_threadsafe(self._end(), self._loop).result()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()
        self._loop = self._thread = self._listener = None

    async def _end(self) -> None:
        """Wait for no further request on open connections; answers under way still go out."""
        if self._listener is not None:
            self._listener.close()
        loop = asyncio.get_running_loop()
        until = loop.time() + END_S
        while self.exchanges and loop.time() < until:
            for exchange in list(self.exchanges):
                exchange.hurry()
            await asyncio.sleep(0.005)
        for exchange in list(self.exchanges):
            exchange.tear_down()
        await loop.shutdown_default_executor()
        await asyncio.sleep(0)  # the loop closes the sockets one turn later


class _Exchange(asyncio.Protocol):
    """One connection: a request comes in, its answer goes out."""

    def __init__(self, server: LoopbackServer) -> None:
        self._server = server
        self._loop = asyncio.get_running_loop()
        self._came = bytearray()
        self._work: asyncio.Task[None] | None = None
        self._waiting: tuple[asyncio.TimerHandle, Answer] | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._line = cast(asyncio.Transport, transport)
        self._server.exchanges.add(self)
        self._idle = self._loop.call_later(IDLE_S, self._line.close)

    def connection_lost(self, error: Exception | None) -> None:
        self._idle.cancel()
        if self._waiting is not None:
            self._waiting[0].cancel()
        self._server.exchanges.discard(self)

    def data_received(self, data: bytes) -> None:
        if self._idle.cancelled():
            return  # the request was whole already
        self._came += data
        try:
            request = _whole(bytes(self._came))
        except ValueError:
            self._idle.cancel()
            self._finish(Answer(400, "no request that can be read", "text/plain"))
            return
        if request is not None:
            self._idle.cancel()
            self._take(request)

    def _take(self, request: Request) -> None:
        if self._server.waits(request):
            self._work = self._loop.create_task(self._take_slowly(request))
        else:
            self._later(self._answered(request))

    async def _take_slowly(self, request: Request) -> None:
        self._later(await self._loop.run_in_executor(None, self._answered, request))

    def _answered(self, request: Request) -> Answer:
        try:
            return self._server.answer(request)
        except Exception:
            log.exception("the loopback server could not answer %s", request.method)
            return Answer(500)

    def _later(self, answer: Answer) -> None:
        if answer.delay_s <= 0:
            self._finish(answer)
        else:
            timer = self._loop.call_later(answer.delay_s, self._finish, answer)
            self._waiting = timer, answer

    def _finish(self, answer: Answer) -> None:
        self._waiting = None
        if answer.ending is Ending.RESET:
            self.tear_down()
            return
        if answer.ending is not Ending.DROPPED:
            whole = self._bytes_of(answer)
            cut = len(whole) - 5 if answer.ending is Ending.CUT_SHORT else len(whole)
            self._line.write(whole[:cut])
        self._line.close()

    def hurry(self) -> None:
        """Answer at once what waits; hang up where no request has come."""
        if self._waiting is not None:
            timer, answer = self._waiting
            timer.cancel()
            self._finish(answer)
        elif self._work is None or self._work.done():
            self._line.close()

    def tear_down(self) -> None:
        # lingering for zero seconds makes the system send RST instead of an orderly end
        bare = cast(socket.socket, self._line.get_extra_info("socket"))
        bare.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._line.abort()

    def _bytes_of(self, answer: Answer) -> bytes:
        text = answer.body if isinstance(answer.body, str) else json.dumps(answer.body)
        payload = text.encode("utf-8")
        lines = [
            f"HTTP/1.1 {answer.status} {HTTPStatus(answer.status).phrase}",
            f"Content-Type: {answer.content_type}",
            f"Content-Length: {len(payload)}",
            "Connection: close",
            *(f"{name}: {value}" for name, value in answer.headers.items()),
        ]
        if self._server.clock is not None:
            now = self._server.clock().astimezone(UTC)
            lines.append(f"Date: {format_datetime(now, usegmt=True)}")
        return "\r\n".join([*lines, "", ""]).encode("latin-1") + payload


def _whole(came: bytes) -> Request | None:
    """The request once all of it is there; ValueError for what is none (RFC 9112, section 3)."""
    if len(came) > LARGEST_REQUEST:
        raise ValueError("too large")
    head, found, body = came.partition(b"\r\n\r\n")
    if not found:
        return None
    first, *lines = head.decode("latin-1").split("\r\n")
    method, target, _ = first.split(" ")
    headers = {
        name.strip().lower(): value.strip()
        for name, _, value in (line.partition(":") for line in lines)
    }
    if len(body) < int(headers.get("content-length") or 0):
        return None
    parts = urlsplit(target)
    pairs = [*parse_qsl(parts.query), *parse_qsl(body.decode("utf-8"))]
    return Request(method, parts.path, dict(pairs), _credentials(headers.get("authorization", "")))


def _credentials(header: str) -> tuple[str, str]:
    scheme, _, token = header.partition(" ")
    try:
        pair = base64.b64decode(token, validate=True).decode("utf-8")
    except (binascii.Error, UnicodeDecodeError):
        return "", ""
    user, _, password = pair.partition(":")
    return (user, password) if scheme.lower() == "basic" else ("", "")
