"""A small HTTP server on 127.0.0.1 that can also fail to answer, as real lines do.

The standard library's threading server is used because it owns the bare socket, which a fault
such as 'taken, then reset' needs.
"""

from __future__ import annotations

import base64
import binascii
import json
import logging
import os
import socket
import struct
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from enum import StrEnum
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import cast
from urllib.parse import parse_qsl, urlsplit

log = logging.getLogger(__name__)

HOST = "127.0.0.1"
POLL_S = 0.02
IDLE_S = 10.0


class Ending(StrEnum):
    """How an exchange ends."""

    ANSWERED = "answered"
    DROPPED = "dropped"  # closed without a word
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
    """Answers every request by one function, each on a thread of its own."""

    def __init__(self, answer: Callable[[Request], Answer], *, port: int = 0) -> None:
        self._answer = answer
        self._port = port
        self._listener: _Listener | None = None
        self._thread: threading.Thread | None = None

    @property
    def url(self) -> str:
        """Address without a trailing slash; a free port is known from the first start on."""
        return f"http://{HOST}:{self._port}"

    def start(self) -> None:
        """Listen and answer on background threads. Raises OSError when the port is taken."""
        self._listener = _Listener(self._answer, self._port)
        self._port = self._listener.server_address[1]
        self._thread = threading.Thread(
            target=self._listener.serve_forever, args=(POLL_S,), daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """Stop listening and cut waits short; does nothing when not started."""
        if self._listener is None or self._thread is None:
            return
        self._listener.stopping.set()
        self._listener.shutdown()
        self._listener.hang_up()
        self._listener.server_close()
        self._thread.join()
        self._listener = self._thread = None


class _Listener(ThreadingHTTPServer):
    request_queue_size = 128
    daemon_threads = False  # so that closing waits for the exchanges under way

    def __init__(self, answer: Callable[[Request], Answer], port: int) -> None:
        self.answer = answer
        self.stopping = threading.Event()
        self._open: set[socket.socket] = set()
        super().__init__((HOST, port), _Exchange)

    def get_request(self) -> tuple[socket.socket, tuple[str, int]]:
        connection, address = super().get_request()
        self._open.add(connection)
        return connection, address

    def shutdown_request(self, request: socket.socket | tuple[bytes, socket.socket]) -> None:
        self._open.discard(cast(socket.socket, request))
        super().shutdown_request(request)

    def hang_up(self) -> None:
        """Wait for no further request on open connections; answers under way still go out."""
        for connection in list(self._open):
            with suppress(OSError):
                connection.shutdown(socket.SHUT_RD)

    def handle_error(self, request: object, client_address: object) -> None:
        """Clients that leave early are ordinary here; the base class would print a trace."""
        log.debug("exchange with %s broke", client_address, exc_info=True)


class _Exchange(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    timeout = IDLE_S

    def do_GET(self) -> None:
        self._serve()

    def do_POST(self) -> None:
        self._serve()

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002
        """Quiet: the first line of a request may hold a phone number."""

    def _serve(self) -> None:
        listener = cast(_Listener, self.server)
        try:
            answer = listener.answer(self._request())
        except Exception:
            log.exception("the loopback server could not answer %s", self.command)
            answer = Answer(500)
        listener.stopping.wait(answer.delay_s)
        self.close_connection = True
        if answer.ending is Ending.ANSWERED:
            self._write(answer)
        elif answer.ending is Ending.RESET:
            self._reset()

    def _request(self) -> Request:
        parts = urlsplit(self.path)
        length = int(self.headers.get("Content-Length") or 0)
        form = self.rfile.read(length).decode("utf-8")
        pairs = [*parse_qsl(parts.query), *parse_qsl(form)]
        return Request(self.command, parts.path, dict(pairs), self._credentials())

    def _credentials(self) -> tuple[str, str]:
        scheme, _, token = self.headers.get("Authorization", "").partition(" ")
        try:
            pair = base64.b64decode(token, validate=True).decode("utf-8")
        except (binascii.Error, UnicodeDecodeError):
            return "", ""
        user, _, password = pair.partition(":")
        return (user, password) if scheme.lower() == "basic" else ("", "")

    def _write(self, answer: Answer) -> None:
        text = answer.body if isinstance(answer.body, str) else json.dumps(answer.body)
        payload = text.encode("utf-8")
        self.send_response(answer.status)
        self.send_header("Content-Type", answer.content_type)
        self.send_header("Content-Length", str(len(payload)))
        self.send_header("Connection", "close")
        for name, value in answer.headers.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(payload)

    def _reset(self) -> None:
        # lingering for zero seconds makes the system send RST instead of an orderly end
        linger = struct.pack("ii", 1, 0)
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
        os.close(self.connection.detach())
