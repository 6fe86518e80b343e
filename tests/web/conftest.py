"""The web side over the real service, asked without a network."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import replace

import httpx
import pytest
from advisers import settle_in
from factories import Service
from fastapi import FastAPI

from alerts.bootstrap import Parts
from alerts.services.access.tokens import make_token
from alerts.web.app import build_app

BASE = "https://cutcall.example.org"

Ask = Callable[..., httpx.Response]


@pytest.fixture
def web_service(service: Service) -> Service:
    """The service with one farm enrolled."""
    service.parts = with_settings(service.parts, intake_max_mib=1)
    service.enrol({})
    return service


@pytest.fixture
def spring(web_service: Service) -> Service:
    """Two consultants and two samplers at work, see `advisers.settle_in`."""
    return settle_in(web_service)


MakeToken = Callable[..., str]


@pytest.fixture
def new_token(web_service: Service) -> MakeToken:
    """Make a token and return its secret."""

    def make(role: str = "lab", **changes: object) -> str:
        values: dict[str, object] = {
            "name": f"the {role}'s program",
            "person_id": None,
            "lab": "",
            "scopes": (),
            "expires_at": None,
            "now": web_service.clock(),
        }
        with web_service.sessions.write() as session:
            _, secret = make_token(session, role, **{**values, **changes})  # type: ignore[arg-type]
        return secret

    return make


@pytest.fixture
def lab_token(new_token: MakeToken) -> str:
    """The token of a laboratory that may send any laboratory's results."""
    return new_token("lab")


def with_settings(parts: Parts, **changes: object) -> Parts:
    return replace(parts, settings=parts.settings.model_copy(update=changes))


@pytest.fixture
def change_settings(web_service: Service) -> Callable[..., None]:
    def change(**changes: object) -> None:
        web_service.parts = with_settings(web_service.parts, **changes)

    return change


@pytest.fixture
def ask(web_service: Service) -> Ask:
    """Send one request to the application, built anew when its parts have changed."""
    built: list[tuple[Parts, FastAPI]] = []

    def app() -> FastAPI:
        if not built or built[-1][0] is not web_service.parts:
            built.append((web_service.parts, build_app(web_service.parts)))
        return built[-1][1]

    def send(method: str, path: str, *, raises: bool = True, **how: object) -> httpx.Response:
        async def once() -> httpx.Response:
            transport = httpx.ASGITransport(app=app(), raise_app_exceptions=raises)
            async with httpx.AsyncClient(transport=transport, base_url=BASE) as client:
                return await client.request(method, path, **how)  # type: ignore[arg-type]

        return asyncio.run(once())

    return send


@pytest.fixture
def post(ask: Ask, lab_token: str) -> Ask:
    """Post results as a laboratory that has a token."""

    def send(
        content: str | bytes,
        kind: str = "text/csv",
        token: str = lab_token,
        params: Mapping[str, str] | None = None,
        **headers: str,
    ) -> httpx.Response:
        given = {"content-type": kind, "authorization": f"Bearer {token}"}
        given |= {name.replace("_", "-"): value for name, value in headers.items()}
        return ask("POST", "/api/v1/results", content=content, headers=given, params=params or {})

    return send
