"""What is answered to what cannot be: pages for people, problems for programs, headers always."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import httpx
import pytest
from factories import Service

from alerts.web.app import build_app
from alerts.web.headers import HEADERS

Ask = Callable[..., httpx.Response]


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/", 200),
        ("GET", "/signup", 200),
        ("GET", "/areas", 200),
        ("GET", "/static/style.css", 200),
        ("GET", "/nowhere", 404),
        ("GET", "/farm/1.x", 404),
        ("DELETE", "/signup", 405),
        ("GET", "/areas/nowhere", 404),
        ("GET", "/api/v1/openapi.json", 200),
        ("GET", "/api/v1/nowhere", 404),
        ("POST", "/webhooks/sms/inbound", 403),
    ],
)
def test_every_answer_carries_the_security_headers(
    ask: Ask, method: str, path: str, status: int
) -> None:
    answer = ask(method, path)
    assert answer.status_code == status
    for name, value in HEADERS.items():
        assert answer.headers[name] == value
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("path", ["/", "/signup", "/link", "/areas", "/nowhere", "/stop/x.y"])
def test_no_page_holds_script_or_style_of_its_own(ask: Ask, path: str) -> None:
    """The content security policy would stop it; better that there is none."""
    page = ask("GET", path).text
    assert " style=" not in page
    assert "<style" not in page
    assert " onclick=" not in page
    for script in page.split("<script")[1:]:
        tag = script.partition(">")[0]
        assert 'src="/static/' in tag or 'type="application/json"' in tag


def test_person_gets_a_page_and_a_program_a_problem(ask: Ask) -> None:
    page = ask("GET", "/nowhere")
    assert page.headers["content-type"].startswith("text/html")
    assert "There is no such page." in page.text
    problem = ask("GET", "/api/v1/nowhere")
    assert problem.headers["content-type"] == "application/problem+json"


def test_refusal_is_in_the_language_of_the_browser(ask: Ask) -> None:
    page = ask("GET", "/farm/1.x", headers={"accept-language": "es-MX,es;q=0.9"})
    assert page.status_code == 404
    assert "Este enlace no está completo" in page.text
    assert '<html lang="es">' in page.text


def test_dead_link_offers_a_new_one(ask: Ask) -> None:
    assert 'href="/link"' in ask("GET", "/farm/1.x").text
    assert 'href="/link"' not in ask("GET", "/nowhere").text


def test_form_that_is_too_large_is_refused_before_it_is_read(ask: Ask) -> None:
    answer = ask("POST", "/signup", data={"farm": "x" * 2_000_000})
    assert answer.status_code == 413


@pytest.mark.parametrize(
    "content", [b"--x\r\nnot a part", b"--x\r\nContent-Disposition: form-data\r\n\r\n", b"\xff\xfe"]
)
def test_form_that_cannot_be_read_is_no_fault_of_the_server(ask: Ask, content: bytes) -> None:
    headers = {"content-type": "multipart/form-data; boundary=x"}
    answer = ask("POST", "/signup", content=content, headers=headers)
    assert answer.status_code < 500


def test_fault_of_ours_is_a_page_without_its_words(web_service: Service) -> None:
    app = build_app(web_service.parts)

    @app.get("/fault")
    def fault() -> None:
        raise RuntimeError("a secret of the inside")

    async def ask_for_it() -> httpx.Response:
        transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="https://x.example") as client:
            return await client.get("/fault")

    answer = asyncio.run(ask_for_it())
    assert answer.status_code == 500
    assert "Something broke on our side" in answer.text
    assert "secret" not in answer.text
    assert answer.headers["Content-Security-Policy"] == HEADERS["Content-Security-Policy"]


@pytest.mark.parametrize(
    ("method", "path", "leads_to"),
    [
        ("GET", "/signup/", "/signup"),
        ("GET", "/areas//", "/areas"),
        ("GET", "/nowhere/%5Cevil.example.org/", "/nowhere/%5Cevil.example.org"),
        ("GET", "/%5Cevil.example.org/", "/%5Cevil.example.org"),
        ("GET", "/%2Fevil.example.org/", None),
        ("POST", "/signup/", None),
        ("POST", "/stop/..%2F", None),
        ("GET", "/api/v1/areas/", None),
    ],
)
def test_slash_too_many_leads_to_the_page_and_to_no_host_that_the_visitor_names(
    ask: Ask, method: str, path: str, leads_to: str | None
) -> None:
    answer = ask(method, path, headers={"Host": "evil.example.org"})
    assert answer.headers.get("location") == leads_to
    assert answer.status_code == (404 if leads_to is None else 307)
