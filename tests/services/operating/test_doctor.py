"""Looking the service over: each thing that can be wrong is found, named, and said how to mend."""

from __future__ import annotations

import asyncio
import shutil
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from factories import NOON, Service, day
from fakes import FakeTransport

from alerts.domain.errors import TransportError
from alerts.services.operating import clock_check
from alerts.services.operating.doctor import Finding, State, Subject, examine, is_well
from alerts.services.operating.job_runs import JobRuns
from alerts.settings import Settings
from alerts.store.session import downgrade
from alerts.transports.base import Channel, Outcome


class Gateway(FakeTransport):
    """One that tells the time, or refuses us."""

    def __init__(self, shows: datetime | None = None, refuses: str = "") -> None:
        super().__init__(Channel.SMS)
        self.shows, self.refuses = shows, refuses

    async def log_in(self) -> None:
        if self.refuses:
            raise TransportError(self.refuses)

    async def time_there(self) -> datetime | None:
        return self.shows


def look(service: Service, *transports: FakeTransport, **changes: object) -> list[Finding]:
    subject = replace(service.parts.subject(), **changes)
    if transports:
        subject = replace(subject, transports={one.channel: one for one in transports})
    found = asyncio.run(examine(subject))
    for finding in found:
        assert bool(finding.fix) is (finding.state is not State.FINE), finding
    return found


def about(found: list[Finding], name: str) -> list[tuple[State, str]]:
    return [(finding.state, finding.said) for finding in found if finding.about == name]


def run_all(service: Service) -> None:
    runs = JobRuns(service.sessions, service.clock)
    for name in service.parts.ticks():
        with runs.recorded(name):
            pass


def settings(service: Service, **changes: object) -> Settings:
    return service.parts.settings.model_copy(update=changes)


def test_new_service_is_well_and_told_to_start(service: Service) -> None:
    found = look(service)
    assert is_well(found)
    assert about(found, "jobs") == [(State.LOOK, "none has ever run")]
    assert about(found, "text gateway") == [
        (State.FINE, "answers and takes our credentials; nothing was sent")
    ]
    assert service.sms.attempts == []


def test_service_at_work_is_fine_throughout(service: Service) -> None:
    Path(service.parts.settings.inbox_dir).mkdir(exist_ok=True)
    run_all(service)
    assert {finding.state for finding in look(service)} == {State.FINE}


# ----------------------------------------------------------------------- settings


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"environment": "production"}, "texts are shown on the terminal, not sent"),
        ({"environment": "production"}, "emails are shown on the terminal, not sent"),
        ({"environment": "production", "public_url": ""}, "messages hold no links to pages"),
        ({"email": "smtp"}, "emails come from cutcall@example.org"),
    ],
)
def test_settings_that_are_rarely_meant(
    service: Service, changes: dict[str, object], said: str
) -> None:
    from alerts.settings import Environment

    if "environment" in changes:
        changes = {**changes, "environment": Environment.PRODUCTION}
    found = look(service, settings=settings(service, sms="console", **changes))
    assert (State.LOOK, said) in about(found, "settings")


def test_gateway_without_webhooks_is_pointed_out(service: Service) -> None:
    from pydantic import SecretStr

    given = settings(service, sms="rest", sms_webhook_secret=SecretStr(""))
    [(state, said)] = about(look(service, settings=given), "settings")
    assert state is State.LOOK
    assert "texts that people send back are not taken" in said


# --------------------------------------------------------------- database and disk


@pytest.mark.changes_tables
def test_older_tables_are_wrong_and_the_work_is_not_looked_at(service: Service) -> None:
    downgrade(service.sessions.engine, "-1")
    found = look(service)
    assert not is_well(found)
    [(state, said)] = about(found, "database")
    assert (state, "0005" in said) == (State.WRONG, True)
    assert about(found, "jobs") == []


@pytest.mark.parametrize(
    ("free", "state"), [(199, State.WRONG), (201, State.LOOK), (1025, State.FINE)]
)
def test_space_on_the_disk(
    service: Service, monkeypatch: pytest.MonkeyPatch, free: int, state: State
) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=free * 1024 * 1024))
    found = about(look(service), "disk")
    assert found
    assert {state for state, _ in found} == {state}


def test_inbox_that_is_not_there(service: Service, tmp_path: Path) -> None:
    found = look(service, settings=settings(service, inbox_dir=tmp_path / "nowhere"))
    assert about(found, "inbox") == [(State.LOOK, f"there is no folder {tmp_path / 'nowhere'}")]


# ------------------------------------------------------------- gateways and clock


def test_gateway_that_refuses_us_is_told_with_what_to_do(service: Service) -> None:
    gateway = Gateway(refuses="The text gateway at x answered HTTP 401; check its credentials.")
    [finding] = [f for f in look(service, gateway) if f.about == "text gateway"]
    assert finding == Finding(
        "text gateway", State.WRONG, "The text gateway at x answered HTTP 401",
        "check its credentials",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("seconds", "state", "said"),
    [
        (60, State.FINE, "agrees with the gateway's"),
        (-120, State.LOOK, "120 s ahead of the gateway's"),
        (120, State.LOOK, "120 s behind the gateway's"),
        (3600, State.WRONG, "3600 s behind the gateway's"),
    ],
)
def test_clock_beside_the_gateway_s(
    service: Service, seconds: int, state: State, said: str
) -> None:
    there = service.clock() + timedelta(seconds=seconds)
    assert about(look(service, Gateway(there)), "clock") == [(state, said)]


def test_doubted_clock_is_wrong(service: Service) -> None:
    asyncio.run(clock_check.check(service.sessions, {}, service.clock))
    service.clock.now += timedelta(days=400)
    found = look(service)
    assert not is_well(found)
    [(state, said)] = about(found, "clock")
    assert state is State.WRONG
    assert said.startswith("doubted, nothing is sent or read")


# ----------------------------------------------------------------------- the work


def test_job_that_failed_and_one_that_stands_still(service: Service) -> None:
    run_all(service)
    service.clock.now += timedelta(hours=3)
    runs = JobRuns(service.sessions, service.clock)
    for name in set(service.parts.ticks()) - {"intake", "digest"}:
        with runs.recorded(name):
            pass
    with pytest.raises(OSError, match="full"), runs.recorded("digest"):
        raise OSError("the disk is full")
    found = about(look(service), "jobs")
    assert (State.WRONG, "digest failed: OSError: the disk is full") in found
    noon = NOON.astimezone(UTC)
    assert (State.WRONG, f"intake has not run since {noon:%Y-%m-%d %H:%M} UTC") in found
    assert len(found) == 2


def test_messages_and_areas_that_wait_too_long(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 190})
    service.clock.set(day(1), time(7, 5))
    service.evaluate()
    service.results({"rfv": 188, "lab_number": "2"})
    service.clock.now += timedelta(hours=2)
    found = look(service)
    assert about(found, "queue (sms)") == [
        (State.WRONG, "1 messages might leave, the oldest for 2 h")
    ]
    assert about(found, "evaluation") == [(State.WRONG, "1 areas are due, one for 2 h")]


def test_gateway_that_rests_is_told_with_its_reason(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 190})
    service.clock.set(day(1), time(7, 5))
    service.evaluate()
    for _ in range(service.parts.schedule.sending.rest.failures):
        service.sms.say(Outcome.MISCONFIGURED, code="20003", gateway_wide=True)
        service.send()
        service.clock.now += timedelta(minutes=15)
    wrong = [said for state, said in about(look(service), "text gateway") if state is State.WRONG]
    assert wrong
    assert "20003" in wrong[0]


def test_what_waits_for_a_person_is_no_fault_of_the_service(service: Service) -> None:
    service.enrol({})
    service.results({"field": "Nowhere", "rfv": 180}, {"rfv": "tall"})
    found = look(service)
    assert is_well(found)
    assert [said for _, said in about(found, "waiting for you")] == [
        "1 results have no field",
        "1 rows could not be used",
    ]


def test_quick_look_asks_no_gateway(service: Service) -> None:
    gateway = Gateway(refuses="must not be asked")
    subject: Subject = replace(service.parts.subject(), transports={Channel.SMS: gateway})
    found = asyncio.run(examine(subject, quick=True))
    assert {finding.about for finding in found} == {"settings", "disk", "database"}
    assert is_well(found)
