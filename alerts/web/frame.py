"""Around every request: its id in the log and in the answer, the headers, and how long it took.

What is logged and counted is the route, never the address asked: addresses of private pages are
keys.
"""

from __future__ import annotations

import logging
import time
from http import HTTPStatus
from secrets import token_hex

from prometheus_client import Histogram
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from alerts.domain import trace
from alerts.web.headers import HEADERS

log = logging.getLogger(__name__)

REQUEST_ID = "X-Request-ID"

UNLOGGED = frozenset({"/healthz", "/readyz", "/metrics", "/static"})
"""Asked by machines every few seconds, or part of a page."""


class Frame:
    """An ASGI layer; ``seconds`` has the labels method, route and status."""

    def __init__(self, app: ASGIApp, seconds: Histogram) -> None:
        self._app = app
        self._seconds = seconds

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        # Each request is a task of its own. What breaks is logged by the server around us, which
        # is to know the id still.
        trace.put(request=token_hex(6))
        await self._answer(scope, receive, send)

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        began, status = time.perf_counter(), int(HTTPStatus.INTERNAL_SERVER_ERROR)

        async def send_framed(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers[REQUEST_ID] = trace.ids()["request"]
            await send(message)

        try:
            await self._app(scope, receive, send_framed)
        finally:
            self._note(scope, status, time.perf_counter() - began)

    def _note(self, scope: Scope, status: int, seconds: float) -> None:
        method, route = scope["method"], route_of(scope)
        self._seconds.labels(method, route, status).observe(seconds)
        if route in UNLOGGED:
            return
        level = logging.ERROR if status >= HTTPStatus.INTERNAL_SERVER_ERROR else logging.INFO
        log.log(level, "%s %s %d in %.0f ms", method, route, status, seconds * 1000)


def route_of(scope: Scope) -> str:
    """The route that answered, such as /farm/{token}; "-" where there was none."""
    route = scope.get("route")
    path = getattr(route, "path", None)
    mounted = scope.get("root_path", "")
    if path is None:
        return mounted or "-"
    return f"{mounted}{path}"
