from __future__ import annotations

import asyncio
from collections.abc import Iterator
from datetime import datetime, timedelta

import pytest
from factories import NOON, Service
from fakes import FakeTransport

from alerts.domain.errors import TransportError
from alerts.services.operating import clock_check
from alerts.services.operating.clock_check import ClockState
from alerts.store import jobs
from alerts.store.tables import Area
from alerts.transports.base import Channel

YEAR = timedelta(days=365)


class Gateway(FakeTransport):
    """A gateway that tells the time; None: it cannot be reached."""

    def __init__(self, shows: datetime | None) -> None:
        super().__init__(Channel.SMS)
        self.shows = shows

    async def time_there(self) -> datetime | None:
        if self.shows is None:
            raise TransportError("the gateway does not answer")
        return self.shows


@pytest.fixture
def gateway(service: Service) -> Iterator[Gateway]:
    """The clock was believed at noon."""
    gateway = Gateway(NOON)
    assert check(service, gateway)
    yield gateway


def check(service: Service, *transports: FakeTransport) -> bool:
    given = {transport.channel: transport for transport in transports}
    return asyncio.run(clock_check.check(service.sessions, given, service.clock))


def held(service: Service) -> bool:
    return clock_check.is_held(service.sessions, service.clock())


def state(service: Service) -> ClockState:
    with service.sessions.read() as session:
        return clock_check.clock_state(session, service.clock())


def test_first_tick_of_all_believes_the_clock(service: Service) -> None:
    assert not held(service)
    assert check(service)
    assert state(service) == ClockState()


@pytest.mark.parametrize("by", [YEAR, -YEAR, timedelta(days=2), timedelta(days=-2)])
def test_leap_holds_the_work_before_anybody_looked_at_it(
    service: Service, gateway: Gateway, by: timedelta
) -> None:
    service.clock.now += by
    assert held(service)
    assert not check(service, gateway)
    assert held(service)
    said = state(service)
    assert said.held
    assert "the gateway's clock shows 2027-05-10 17:00 UTC" in said.note


@pytest.mark.parametrize("by", [YEAR, -YEAR])
def test_corrected_clock_goes_on_by_itself(
    service: Service, gateway: Gateway, by: timedelta
) -> None:
    service.clock.now += by
    check(service, gateway)
    service.clock.now = NOON + timedelta(minutes=5)
    assert not held(service)
    assert check(service, gateway)
    assert not state(service).held


def test_long_standstill_goes_on_once_the_gateway_agrees(
    service: Service, gateway: Gateway
) -> None:
    service.later(days=150)
    gateway.shows = service.clock() + timedelta(minutes=20)
    assert held(service)
    assert check(service, gateway)
    assert not held(service)
    assert "the gateway's clock agrees" in state(service).note


def test_gateway_that_cannot_be_asked_keeps_the_work_held(
    service: Service, gateway: Gateway
) -> None:
    service.later(days=2)
    gateway.shows = None
    assert not check(service, gateway)
    assert "does not answer" in state(service).note
    gateway.shows = service.clock()
    assert check(service, gateway)


def test_service_without_another_clock_believes_its_own_and_says_so(service: Service) -> None:
    check(service)
    service.later(days=3)
    assert check(service, service.sms)
    assert state(service).note.endswith("there is no other clock to ask")
    service.later(days=0.9)
    for _ in range(8):
        check(service, service.sms)
        service.later(days=0.9)
    assert state(service).note == ""  # told for a week


def test_operator_may_say_that_the_clock_is_right(service: Service, gateway: Gateway) -> None:
    service.later(days=30)
    check(service, gateway)
    clock_check.trust(service.sessions, service.clock())
    assert not held(service)
    assert check(service, gateway)


def test_two_hours_back_hold_nothing_and_are_told(service: Service, gateway: Gateway) -> None:
    service.later(hours=-2)
    assert not held(service)
    assert check(service, gateway)
    assert state(service).note == "the clock was set back by 120 minutes"


def test_what_a_clock_a_year_ahead_put_off_is_done_once_it_is_right(
    service: Service, gateway: Gateway
) -> None:
    """Somebody believed the wrong clock: the area would not be looked at for a year."""
    service.enrol({})
    service.clock.now += YEAR
    clock_check.trust(service.sessions, service.clock())
    assert service.evaluate() == 1
    service.clock.now = NOON + timedelta(hours=1)
    assert service.evaluate() == 0
    assert check(service, gateway)
    assert service.evaluate() == 1
    [area] = service.rows(Area)
    assert area.due_at < NOON + timedelta(days=1)


def test_believed_instant_is_no_run_of_a_job(service: Service, gateway: Gateway) -> None:
    with service.sessions.read() as session:
        assert jobs.last_runs(session) == []
