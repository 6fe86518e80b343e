"""The web server around the application."""

from __future__ import annotations

import gc
from collections.abc import Callable
from socket import IPPROTO_TCP, socket
from typing import Any

import uvicorn

OBJECTS_BETWEEN_LOOKS = 50_000
"""A table of 200 clients makes some 20,000 objects; looking for cycles among them and all that was
imported every 700 took a third of its time."""


def serve_app(app: Callable[..., Any], port: socket) -> None:
    """Answer what comes in on ``port`` until a signal ends it; the socket is ours from then on."""
    gc.collect()
    gc.freeze()  # what was there at the start stays to the end
    gc.set_threshold(OBJECTS_BETWEEN_LOOKS)
    # No access log: addresses of private pages are keys, and belong into no log.
    server = uvicorn.Server(uvicorn.Config(app, log_config=None, access_log=False))
    server.run(sockets=[_without_delay(port)])


def _without_delay(port: socket) -> socket:
    """An answer goes out in two parts, of which the second would wait some 40 ms until the reader
    has confirmed the first; asyncio sees to it (TCP_NODELAY) where a socket says that it is TCP."""
    return socket(port.family, port.type, IPPROTO_TCP, fileno=port.detach())
