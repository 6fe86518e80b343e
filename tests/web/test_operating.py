"""What machines ask: /healthz, /readyz, /metrics; and the frame around every request."""

from __future__ import annotations

import asyncio
import logging
import re
from collections.abc import Callable
from datetime import time, timedelta

import httpx
import pytest
from factories import Service, day
from prometheus_client.parser import text_string_to_metric_families
from pydantic import SecretStr
from sqlalchemy.exc import OperationalError

from alerts.domain.errors import ConfigurationError
from alerts.services.operating.job_runs import JobRuns
from alerts.settings import read_settings
from alerts.store.session import downgrade
from alerts.transports.base import Outcome
from alerts.web.app import build_app

Ask = Callable[..., httpx.Response]
TOKEN = "a token for the tests only"


@pytest.fixture
def watched(web_service: Service, change_settings: Callable[..., None]) -> Service:
    change_settings(metrics_token=SecretStr(TOKEN))
    return web_service


def figures(ask: Ask) -> dict[tuple[str, ...], float]:
    """Every sample by its name and the values of its labels."""
    answer = ask("GET", "/metrics", headers={"Authorization": f"Bearer {TOKEN}"})
    assert answer.status_code == 200
    return {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


# ------------------------------------------------------------------- life and work


def test_ready_where_the_database_has_our_tables(ask: Ask) -> None:
    assert ask("GET", "/healthz").json() == {"status": "ok"}
    answer = ask("GET", "/readyz")
    assert (answer.status_code, answer.json()) == (200, {"status": "ready"})


@pytest.mark.changes_tables
def test_not_ready_on_tables_of_another_program(ask: Ask, web_service: Service) -> None:
    downgrade(web_service.sessions.engine, "-1")
    answer = ask("GET", "/readyz")
    assert answer.status_code == 503
    said = "the database has the tables of revision 0005, this program needs 0006"
    assert answer.json() == {"status": "not ready", "reason": said}
    assert ask("GET", "/healthz").status_code == 200  # it lives all the same


def test_not_ready_without_a_database_and_says_nothing_of_where_it_is(
    ask: Ask, web_service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*args: object, **how: object) -> object:
        why = OSError("connection to server at db.example.org failed")
        raise OperationalError("connect", {}, why)

    monkeypatch.setattr(web_service.sessions.engine, "connect", gone)
    answer = ask("GET", "/readyz")
    assert answer.status_code == 503
    assert answer.json()["reason"] == "the database does not answer"


# ------------------------------------------------------------------------ figures


def test_figures_are_for_who_holds_the_token(ask: Ask, watched: Service) -> None:
    for given in ({}, {"Authorization": "Bearer wrong"}, {"Authorization": f"Basic {TOKEN}"}):
        answer = ask("GET", "/metrics", headers=given)
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"] == "Bearer"
        assert "cutcall_" not in answer.text


def test_without_a_token_in_the_settings_there_is_no_such_page(
    ask: Ask, web_service: Service
) -> None:
    assert ask("GET", "/metrics", headers={"Authorization": "Bearer "}).status_code == 404


def test_short_token_is_no_setting() -> None:
    with pytest.raises(ConfigurationError, match="CUTCALL_METRICS_TOKEN: it must be 16"):
        read_settings(metrics_token="short")


def test_figures_of_a_quiet_service(ask: Ask, watched: Service) -> None:
    found = figures(ask)
    assert found["cutcall_dead_letters",] == 0
    assert found["cutcall_unmatched_results",] == 0
    assert found["cutcall_clock_held",] == 0
    assert not [key for key in found if key[0] == "cutcall_messages"]


def test_figures_follow_the_work(ask: Ask, watched: Service) -> None:
    watched.results({"rfv": 190}, {"field": "Nowhere", "rfv": 180}, {"rfv": "tall"})
    found = figures(ask)
    assert found["cutcall_unmatched_results",] == 1
    assert found["cutcall_rejected_rows",] == 1
    assert found["cutcall_areas_due",] == 1
    watched.clock.set(day(1), time(7, 5))
    lag = figures(ask)["cutcall_evaluation_lag_seconds",]
    assert timedelta(hours=12) < timedelta(seconds=lag) < timedelta(hours=24)

    watched.evaluate()
    watched.clock.now += timedelta(minutes=20)
    found = figures(ask)
    assert found["cutcall_areas_due",] == 0
    assert found["cutcall_messages", "sms", "queued"] == 1
    assert found["cutcall_queue_messages", "sms"] == 1
    assert found["cutcall_queue_age_seconds", "sms"] == 1200

    watched.sms.say(Outcome.REFUSED, code="21211")
    watched.send()
    found = figures(ask)
    assert found["cutcall_messages", "sms", "failed"] == 1
    assert found["cutcall_dead_letters",] == 1
    assert ("cutcall_queue_messages", "sms") not in found


def test_figures_of_jobs_and_gateways(ask: Ask, watched: Service) -> None:
    runs = JobRuns(watched.sessions, watched.clock)
    with runs.recorded("intake"):
        pass
    with pytest.raises(ZeroDivisionError), runs.recorded("digest"):
        _ = 1 / 0
    runs.claim_tick("intake", "tests", watched.clock(), timedelta(seconds=30))
    watched.results({"rfv": 190})
    watched.clock.set(day(1), time(7, 5))
    watched.evaluate()
    for _ in range(watched.parts.schedule.sending.rest.failures):
        watched.sms.say(Outcome.MISCONFIGURED, code="20003", gateway_wide=True)
        watched.send()
        watched.clock.now += timedelta(minutes=15)
    found = figures(ask)
    assert found["cutcall_job_ok", "intake"] == 1
    assert found["cutcall_job_ok", "digest"] == 0
    assert found["cutcall_job_ticks", "intake"] == 1
    assert found["cutcall_gateway_rests", "sms"] == 1
    assert found["cutcall_gateway_failures", "sms"] >= 1


def test_open_metrics_where_it_is_asked_for(ask: Ask, watched: Service) -> None:
    accept = "application/openmetrics-text; version=1.0.0"
    headers = {"Authorization": f"Bearer {TOKEN}", "Accept": accept}
    answer = ask("GET", "/metrics", headers=headers)
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    assert answer.text.endswith("# EOF\n")  # OpenMetrics 1.0 (2022), section 3.2


# ------------------------------------------------------------------------- the frame


def test_every_answer_has_an_id_that_the_log_knows(
    ask: Ask, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, logger="alerts.web.frame")
    first, second = ask("GET", "/signup"), ask("GET", "/nowhere")
    ids = [answer.headers["x-request-id"] for answer in (first, second)]
    assert all(re.fullmatch(r"[0-9a-f]{12}", one) for one in ids)
    assert ids[0] != ids[1]
    assert [re.sub(r"\d+ ms", "N ms", said.getMessage()) for said in caplog.records] == [
        "GET /signup 200 in N ms",
        "GET - 404 in N ms",
    ]


def test_log_holds_the_route_and_never_the_address(
    ask: Ask, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, logger="alerts.web.frame")
    ask("GET", "/farm/77.secretsignature")
    ask("GET", "/api/v1/outlooks", headers={"Authorization": "Bearer hidden"})
    ask("GET", "/healthz")
    said = [record.getMessage() for record in caplog.records]
    assert said[0].startswith("GET /farm/{token} 404")
    assert said[1].startswith("GET /api/v1/outlooks 401")
    assert len(said) == 2
    assert "secretsignature" not in caplog.text


def test_time_of_requests_is_counted_by_route(ask: Ask, watched: Service) -> None:
    app = build_app(watched.parts)

    async def visit() -> str:
        transport = httpx.ASGITransport(app=app)
        async with httpx.AsyncClient(transport=transport, base_url="https://x.example.org") as one:
            for path in ("/signup", "/signup", "/farm/1.x"):
                await one.get(path)
            return (await one.get("/metrics", headers={"Authorization": f"Bearer {TOKEN}"})).text

    text = asyncio.run(visit())
    assert 'cutcall_request_seconds_count{method="GET",route="/signup",status="200"} 2.0' in text
    assert 'route="/farm/{token}",status="404"} 1.0' in text
