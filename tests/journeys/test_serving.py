"""The web server around the application."""

from __future__ import annotations

import socket
import time
from multiprocessing import get_context

import httpx
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from alerts.cli.serving import serve_app

CONFIRMED_AFTER_S = 0.04
"""For so long Linux waits before it confirms what it received (TCP_DELACK_MIN of tcp.h)."""


def answer(request: Request) -> PlainTextResponse:
    return PlainTextResponse("here")


def serve(port: socket.socket) -> None:
    serve_app(Starlette(routes=[Route("/", answer)]), port)


def test_no_answer_over_a_kept_line_waits_for_its_reader_to_confirm_half_of_it() -> None:
    port = socket.create_server(("127.0.0.1", 0))
    server = get_context("spawn").Process(target=serve, args=(port,), daemon=True)
    server.start()
    taken = []
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port.getsockname()[1]}") as line:
            for _ in range(60):  # a new line confirms the first dozens at once
                began = time.perf_counter()
                assert line.get("/", timeout=30).text == "here"
                taken.append(time.perf_counter() - began)
    finally:
        server.kill()
        server.join()
        port.close()
    assert min(taken[40:]) < CONFIRMED_AFTER_S / 2
