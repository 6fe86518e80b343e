from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

import httpx
import pytest
from fastapi import FastAPI, Request

from alerts.web.body_limits import SLOWEST_BYTES_S, SMALL, BodyLimits
from alerts.web.problems import add_problems

MOST = 200_000
GRACE_S = 0.1


def build_app() -> FastAPI:
    """An application that says how much it was sent."""
    app = FastAPI()
    app.add_middleware(BodyLimits, document_path="/results", most_bytes=MOST, grace_s=GRACE_S)
    add_problems(app)

    @app.post("/{path}")
    async def length(request: Request) -> int:
        return len(await request.body())

    return app


async def pieces(count: int, size: int, pause_s: float) -> AsyncIterator[bytes]:
    for _ in range(count):
        yield b"x" * size
        await asyncio.sleep(pause_s)


def post(path: str, content: bytes | AsyncIterator[bytes]) -> httpx.Response:
    async def once() -> httpx.Response:
        transport = httpx.ASGITransport(app=build_app())
        async with httpx.AsyncClient(transport=transport, base_url="https://x.example.org") as http:
            return await http.post(path, content=content)

    return asyncio.run(once())


@pytest.mark.parametrize(("path", "most"), [("/results", MOST), ("/other", SMALL)])
def test_body_up_to_its_bound_is_read(path: str, most: int) -> None:
    assert post(path, b"x" * most).json() == most
    assert post(path, b"").json() == 0


@pytest.mark.parametrize(
    ("path", "most", "size"), [("/results", MOST, "195 KiB"), ("/other", SMALL, "64 KiB")]
)
def test_body_past_its_bound_is_refused_whether_it_says_so_or_not(
    path: str, most: int, size: str
) -> None:
    for content in (b"x" * (most + 1), pieces(most // 50_000 + 1, 50_000, 0)):
        answer = post(path, content)
        assert answer.status_code == 413
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["detail"] == f"larger than {size}; send less at once"


def test_sender_who_falls_silent_is_given_up() -> None:
    answer = post("/results", pieces(2, 10, 5.0))
    assert answer.status_code == 408
    assert "too slowly" in answer.json()["detail"]


def test_sender_who_drips_is_given_up_although_never_silent_for_long() -> None:
    answer = post("/results", pieces(200, 1, GRACE_S / 10))
    assert answer.status_code == 408


def test_slow_sender_above_the_pace_is_waited_for() -> None:
    # Ten pieces over four times the grace, each as large as the pace wants for ten of them.
    content = pieces(10, int(SLOWEST_BYTES_S * GRACE_S * 4), GRACE_S * 0.4)
    assert post("/results", content).json() == 10 * int(SLOWEST_BYTES_S * GRACE_S * 4)
