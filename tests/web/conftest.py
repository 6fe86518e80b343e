"""The web side over the real service, asked without a network."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import replace

import httpx
import pytest
from factories import Service
from pydantic import SecretStr

from alerts.bootstrap import Parts
from alerts.web.app import build_app

TOKEN = "token of the test laboratory"
BASE = "https://cutcall.example.org"

Ask = Callable[..., httpx.Response]


@pytest.fixture
def web_service(service: Service) -> Service:
    """The service with posting switched on."""
    service.parts = with_settings(service.parts, intake_token=SecretStr(TOKEN), intake_max_mib=1)
    service.enrol({})
    return service


def with_settings(parts: Parts, **changes: object) -> Parts:
    return replace(parts, settings=parts.settings.model_copy(update=changes))


@pytest.fixture
def change_settings(web_service: Service) -> Callable[..., None]:
    def change(**changes: object) -> None:
        web_service.parts = with_settings(web_service.parts, **changes)

    return change


@pytest.fixture
def ask(web_service: Service) -> Ask:
    """Send one request to the application."""

    def send(method: str, path: str, **how: object) -> httpx.Response:
        async def once() -> httpx.Response:
            transport = httpx.ASGITransport(app=build_app(web_service.parts))
            async with httpx.AsyncClient(transport=transport, base_url=BASE) as client:
                return await client.request(method, path, **how)  # type: ignore[arg-type]

        return asyncio.run(once())

    return send


@pytest.fixture
def post(ask: Ask) -> Ask:
    """Post results as a laboratory that knows the token."""

    def send(
        content: str | bytes,
        kind: str = "text/csv",
        token: str = TOKEN,
        params: Mapping[str, str] | None = None,
    ) -> httpx.Response:
        headers = {"content-type": kind, "authorization": f"Bearer {token}"}
        return ask("POST", "/api/v1/results", content=content, headers=headers, params=params or {})

    return send
