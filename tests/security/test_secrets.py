"""No secret, and no whole phone number or mailbox where they are masked, in a log or on a page."""

from __future__ import annotations

import asyncio
import logging
import re
import traceback
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
from factories import PHONE, ROSTER_ROW, loopback_settings, results_sheet, sheet
from fakes import SettableClock
from pydantic import SecretStr

from alerts.bootstrap import Parts, build_parts
from alerts.domain.delivery import Status
from alerts.intake.roster import read_roster
from alerts.loopback.gateway import LoopbackGateway
from alerts.loopback.mailbox import LoopbackMailbox
from alerts.scheduler import run_round
from alerts.services.access.links import Role, link_path
from alerts.services.access.masking import masked
from alerts.services.people.enrol import enrol
from alerts.settings import Settings
from alerts.store import outbox
from alerts.web.app import build_app

EMAIL = "ada.lindqvist@example.org"
SECRETS = {
    name: f"{name.replace('_', '-')}-violet-heron"
    for name, field in Settings.model_fields.items()
    if field.annotation is SecretStr
}
"""A distinctive value for every setting that is a secret, whichever there are."""


@pytest.fixture
def parts(database_url: str, tmp_path: Path, clock: SettableClock) -> Iterator[Parts]:
    """The whole service over servers on this machine, every secret set."""
    (tmp_path / "inbox").mkdir()
    with LoopbackGateway(clock=clock) as gateway, LoopbackMailbox() as mailbox:
        # Another secret than the gateway knows: it turns every text down, and we say why.
        settings = loopback_settings(database_url, tmp_path, gateway, mailbox, **SECRETS)
        built = build_parts(settings, clock=clock)
        row = {**ROSTER_ROW, "email": EMAIL, "alert_by": "both"}
        roster = read_roster(
            sheet([row]).encode(),
            "roster.csv",
            animal_classes=built.guidelines.animal_classes(),
            defaults=built.roster_defaults(),
        )
        enrol(built.sessions, roster, built.guidelines, "roster.csv", clock())
        (tmp_path / "inbox" / "monday.csv").write_text(results_sheet({"rfv": 205}))
        yield built
        asyncio.run(built.aclose())


def visit(parts: Parts, method: str, path: str, **how: object) -> httpx.Response:
    async def once() -> httpx.Response:
        transport = httpx.ASGITransport(app=build_app(parts), raise_app_exceptions=False)
        base = "https://cutcall.example.org"
        async with httpx.AsyncClient(transport=transport, base_url=base) as client:
            return await client.request(method, path, **how)  # type: ignore[arg-type]

    return asyncio.run(once())


def secrets_in(text: str) -> list[str]:
    return [name for name, secret in SECRETS.items() if secret in text]


def addresses_in(text: str) -> list[str]:
    return [one for one in (PHONE, PHONE[1:], EMAIL) if one in text]


def said(caplog: pytest.LogCaptureFixture) -> str:
    """Every line of the log with the traceback below it."""
    lines = []
    for record in caplog.records:
        lines.append(f"{record.name} {record.getMessage()}")
        if record.exc_info:
            lines += traceback.format_exception(*record.exc_info)
    return "\n".join(lines)


def test_every_secret_has_a_value_of_its_own_here() -> None:
    assert {"secret", "sms_secret", "smtp_password", "sms_webhook_secret"} <= set(SECRETS)
    assert len(set(SECRETS.values())) == len(SECRETS)


def test_round_of_all_jobs_logs_no_secret_and_no_address(
    parts: Parts, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    for _ in range(2):
        asyncio.run(run_round(parts))
        parts.clock.now += timedelta(hours=1)  # type: ignore[attr-defined]
    text = said(caplog)
    assert "monday.csv" in text  # there was something to say
    assert secrets_in(text) == []
    ours = "\n".join(line for line in text.splitlines() if line.startswith("alerts"))
    assert addresses_in(ours) == []


def test_pages_show_no_secret_and_mask_addresses_for_the_operator(parts: Parts) -> None:
    asyncio.run(run_round(parts))
    with parts.sessions.write() as session:
        operator = link_path(session, parts.link_rules(), Role.OPERATOR, now=parts.clock())
        # One that did not arrive, so that the page lists it.
        outbox.get(session, 1).status = Status.FAILED
    for path in ("/healthz", "/", "/nowhere", "/farm/1.forged", "/signup", operator):
        answer = visit(parts, "GET", path)
        assert secrets_in(answer.text + str(answer.headers)) == [], path
        assert addresses_in(answer.text) == [], path
    assert "…43" in visit(parts, "GET", operator).text  # it is the masked one that stands there


@pytest.mark.changes_tables
def test_page_that_fails_says_nothing_of_what_it_knows(
    parts: Parts, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    with parts.sessions.write() as session:
        operator = link_path(session, parts.link_rules(), Role.OPERATOR, now=parts.clock())
        session.connection().exec_driver_sql("DROP TABLE job_run")
    answer = visit(parts, "GET", operator)
    assert answer.status_code == 500
    assert "Traceback" not in answer.text and "job_run" not in answer.text
    assert secrets_in(answer.text) == secrets_in(said(caplog)) == []


def test_parts_and_settings_can_be_printed_without_a_secret(parts: Parts) -> None:
    for shown in (repr(parts), repr(parts.settings), parts.settings.model_dump_json()):
        assert secrets_in(shown) == []


def test_masks_leave_too_little_to_write_to() -> None:
    assert not re.search(r"\d{3}", masked(PHONE))
    assert EMAIL.partition("@")[0] not in masked(EMAIL)
