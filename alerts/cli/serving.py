"""The web server around the application."""

from __future__ import annotations

import gc
from collections.abc import Callable
from socket import socket
from typing import Any

import uvicorn

OBJECTS_BETWEEN_LOOKS = 50_000
"""A table of 200 clients makes some 20,000 objects; looking for cycles among them and all that was
imported every 700 took a third of its time."""


def serve_app(app: Callable[..., Any], port: socket) -> None:
    """Answer what comes in on ``port`` until a signal ends it."""
    gc.collect()
    gc.freeze()  # what was there at the start stays to the end
    gc.set_threshold(OBJECTS_BETWEEN_LOOKS)
    # No access log: addresses of private pages are keys, and belong into no log.
    uvicorn.Server(uvicorn.Config(app, log_config=None, access_log=False)).run(sockets=[port])
