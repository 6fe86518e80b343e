from __future__ import annotations

from collections.abc import Callable
from urllib.parse import urlsplit

import httpx
import pytest
from factories import Service

from alerts.services.delivery.unsubscribe import address_url
from alerts.store.tables import OptOut

Ask = Callable[..., httpx.Response]

ADDRESS = "ida@example.org"


# ---------------------------------------------------------------------------- stop


@pytest.fixture
def stop_path(web_service: Service) -> str:
    parts = web_service.parts
    return urlsplit(address_url(parts.settings.public_url, parts.secret, "email", ADDRESS)).path


def test_one_click_enters_the_address_into_the_ledger(
    stop_path: str, ask: Ask, web_service: Service
) -> None:
    # RFC 8058, section 3.2: a POST with this body, without cookies or login, and no redirect.
    answer = ask("POST", stop_path, data={"List-Unsubscribe": "One-Click"})
    assert answer.status_code == 200
    [entry] = web_service.rows(OptOut)
    assert (entry.channel, entry.address, entry.how) == ("email", ADDRESS, "link in an email")
    assert entry.at == web_service.clock()
    assert f"No more Cutcall messages will go to {ADDRESS}." in answer.text


def test_one_click_as_multipart_works_and_twice_changes_nothing(
    stop_path: str, ask: Ask, web_service: Service
) -> None:
    form = {"List-Unsubscribe": (None, "One-Click")}
    for _ in range(2):
        assert ask("POST", stop_path, files=form).status_code == 200
    assert len(web_service.rows(OptOut)) == 1


def test_following_the_link_stops_nobody_and_shows_a_button(
    stop_path: str, ask: Ask, web_service: Service
) -> None:
    # Link scanners follow links; one service lost 489 of 497 subscribers to them in two minutes.
    answer = ask("GET", stop_path)
    assert answer.status_code == 200
    assert web_service.rows(OptOut) == []
    assert '<form method="post"><button class="button" type="submit">' in answer.text
    assert ADDRESS in answer.text
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["referrer-policy"] == "no-referrer"


def test_link_that_was_changed_is_not_found(stop_path: str, ask: Ask, web_service: Service) -> None:
    said, _, signature = stop_path.removeprefix("/stop/").partition(".")
    other = address_url("https://x.example.org", "another secret", "email", ADDRESS)
    tampered = [
        f"/stop/{said}.{'0' * len(signature)}",
        f"/stop/{said[:-2]}AA.{signature}",
        f"/stop/{said}",
        f"/stop/{said}.",
        f"/stop/.{signature}",
        f"/stop/{said}.{signature[:-1]}",
        "/stop/nonsense",
        "/stop/%C3%A9.%C3%A9",
        urlsplit(other).path,
    ]
    for path in tampered:
        for method in ("GET", "POST"):
            answer = ask(method, path)
            assert answer.status_code == 404, path
            assert "copy all of it from the email" in answer.text
            assert "<button" not in answer.text
    assert web_service.rows(OptOut) == []


def test_address_is_escaped_on_the_page(ask: Ask, web_service: Service) -> None:
    parts = web_service.parts
    wild = '"<script>"@example.org'
    url = address_url(parts.settings.public_url, parts.secret, "email", wild)
    page = ask("GET", urlsplit(url).path).text
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_stopped_address_gets_no_further_email(
    stop_path: str, ask: Ask, web_service: Service
) -> None:
    web_service.enrol({"alert_by": "both", "email": ADDRESS})
    web_service.results({"rfv": 205})
    web_service.evaluate()
    assert {m.channel for m in web_service.messages("coming")} == {"sms", "email"}
    ask("POST", stop_path)
    web_service.send()
    assert len(web_service.sms.attempts) == 1
    assert web_service.mail.attempts == []


# --------------------------------------------------------------------------- other


def test_health_answers_without_a_token(ask: Ask) -> None:
    assert ask("GET", "/healthz").json() == {"status": "ok"}


@pytest.mark.parametrize("path", ["/docs", "/redoc", "/openapi.json", "/api/v1"])
def test_nothing_else_is_there(path: str, ask: Ask) -> None:
    assert ask("GET", path).status_code == 404
