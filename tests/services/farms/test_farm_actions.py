"""What a farmer does on the page, and what it may not touch."""

from __future__ import annotations

from datetime import time, timedelta

import pytest
from factories import MONDAY, OTHER_PHONE, PHONE, Service, day
from sqlmodel import select

from alerts.domain.errors import CutcallError
from alerts.services.access.links import Role, Visitor
from alerts.services.access.scope import NotYours
from alerts.services.farms import farm_actions
from alerts.services.farms.farm_actions import WrongInput
from alerts.store import opt_outs
from alerts.store.tables import Consent, Cut, Farm, FarmField, OptOut

OWNER = Visitor(1, Role.FARM, 1, 1)


@pytest.fixture
def farm(service: Service) -> Service:
    service.enrol({"field": "North"}, {"field": "South"})
    service.enrol({"farm": "Quarry Lane", "farmer": "Bo Ek", "phone": OTHER_PHONE})
    return service


def start(service: Service, ids: list[int], offset: int | None = 0) -> list[str]:
    on = None if offset is None else day(offset)
    with service.sessions.write() as session:
        return farm_actions.record_start(
            session, OWNER, 1, ids, on, service.parts.season_first_day(), service.clock()
        )


def test_start_records_the_cut_of_each_field_chosen(farm: Service) -> None:
    assert start(farm, [1, 2, 1]) == ["North", "South"]
    assert [(cut.field_id, cut.cut_on) for cut in farm.rows(Cut)] == [(1, MONDAY), (2, MONDAY)]


@pytest.mark.parametrize(
    ("ids", "offset", "control"),
    [([], 0, "field"), ([1], None, "on"), ([1], 1, "on"), ([1], -400, "on")],
)
def test_start_that_cannot_be_names_its_control(
    farm: Service, ids: list[int], offset: int | None, control: str
) -> None:
    with pytest.raises(WrongInput) as raised:
        start(farm, ids, offset)
    assert raised.value.control == control
    assert farm.rows(Cut) == []


def test_day_before_a_standing_sample_is_asked_about_at_its_control(farm: Service) -> None:
    farm.clock.set(day(3), time(12))
    farm.results({"field": "North", "rfv": 190, "sampled_on": day(3)})
    with pytest.raises(WrongInput, match="North was sampled standing on 2027-05-13") as raised:
        start(farm, [1, 2], 2)
    assert raised.value.control == "on"
    assert "%(field)s" in raised.value.sentence
    assert farm.rows(Cut) == []


def test_one_field_that_cannot_be_cut_leaves_all_as_they_were(farm: Service) -> None:
    start(farm, [2])
    farm.clock.set(day(3), time(12))
    with pytest.raises(WrongInput, match=r"South was cut on 2027-05-10 already"):
        start(farm, [1, 2], 3)
    assert [cut.field_id for cut in farm.rows(Cut)] == [2]


def test_field_of_a_neighbour_does_not_exist(farm: Service) -> None:
    with pytest.raises(NotYours):
        start(farm, [1, 3])
    with farm.sessions.write() as session, pytest.raises(NotYours):
        farm_actions.undo_start(session, OWNER, 1, 3, farm.clock())
    assert farm.rows(Cut) == []


def test_wrong_start_is_taken_back(farm: Service) -> None:
    start(farm, [1])
    with farm.sessions.write() as session:
        assert farm_actions.undo_start(session, OWNER, 1, 1, farm.clock()) == "North"
    assert farm.rows(Cut) == []
    with farm.sessions.write() as session, pytest.raises(CutcallError, match="nothing to undo"):
        farm_actions.undo_start(session, OWNER, 1, 1, farm.clock())


# --------------------------------------------------------------------------- pause


def paused_until(service: Service) -> object:
    with service.sessions.read() as session:
        return session.get_one(Farm, 1).paused_until


def test_pause_ends_on_the_day_named_or_after_so_many(farm: Service) -> None:
    with farm.sessions.write() as session:
        farm_actions.pause(session, OWNER, 1, farm.clock(), until=day(9))
    assert paused_until(farm) == day(9)
    with farm.sessions.write() as session:
        farm_actions.pause(session, OWNER, 1, farm.clock(), days=3)
    assert paused_until(farm) == day(3)
    with farm.sessions.write() as session:
        farm_actions.resume(session, OWNER, 1, farm.clock())
    assert paused_until(farm) is None


def test_pause_counts_from_the_day_it_is_on_the_farm(farm: Service) -> None:
    # nine in the evening there is the next day in UTC
    farm.clock.set(MONDAY, time(21))
    with farm.sessions.write() as session:
        assert farm_actions.pause(session, OWNER, 1, farm.clock(), days=1) == day(1)


@pytest.mark.parametrize(
    ("offset", "days", "control"),
    [(None, None, "days"), (0, None, "until"), (-2, None, "until"), (367, None, "until"),
     (None, 0, "days"), (None, 4000, "days")],
)  # fmt: skip
def test_pause_that_cannot_be_names_its_control(
    farm: Service, offset: int | None, days: int | None, control: str
) -> None:
    until = None if offset is None else day(offset)
    with farm.sessions.write() as session, pytest.raises(WrongInput) as raised:
        farm_actions.pause(session, OWNER, 1, farm.clock(), until=until, days=days)
    assert raised.value.control == control
    assert paused_until(farm) is None


def test_pause_takes_back_the_text_that_waits(farm: Service) -> None:
    farm.results({"rfv": 210})
    farm.evaluate()
    with farm.sessions.write() as session:
        farm_actions.pause(session, OWNER, 1, farm.clock(), days=3)
    assert farm.message().status == "cancelled"


def test_what_holds_is_said_once_the_pause_is_ended(farm: Service) -> None:
    farm.results({"rfv": 210})
    with farm.sessions.write() as session:
        farm_actions.pause(session, OWNER, 1, farm.clock(), days=30)
    farm.evaluate()
    assert farm.messages() == []
    with farm.sessions.write() as session:
        farm_actions.resume(session, OWNER, 1, farm.clock())
    farm.evaluate()
    assert len(farm.messages()) == 1


# ------------------------------------------------------------------- stop and again


def stop(service: Service, visitor: Visitor = OWNER) -> list[str]:
    with service.sessions.write() as session:
        return farm_actions.stop(session, visitor, 1, service.clock())


def again(service: Service) -> list[str]:
    with service.sessions.write() as session:
        return farm_actions.start_again(
            session, OWNER, 1, service.clock(), shown="I agree.", ip="198.51.100.7"
        )


def test_stop_ends_every_address_of_the_person(service: Service) -> None:
    service.enrol({"email": "ada@example.org"})
    assert stop(service) == ["sms", "email"]
    assert {(row.channel, row.address) for row in service.rows(OptOut)} == {
        ("sms", PHONE),
        ("email", "ada@example.org"),
    }
    service.results({"rfv": 210})
    service.evaluate()
    assert service.messages() == []


def test_stop_leaves_the_neighbour_alone(farm: Service) -> None:
    stop(farm)
    assert [row.address for row in farm.rows(OptOut)] == [PHONE]


def test_start_again_ends_the_stop_and_keeps_what_was_agreed_to(service: Service) -> None:
    service.enrol({"email": "ada@example.org"})
    stop(service)
    before = len(service.rows(Consent))
    service.later(days=1)
    assert again(service) == ["sms"]  # told by text: the email stays stopped
    with service.sessions.read() as session:
        assert opt_outs.stopped(session, "sms", [PHONE]) == frozenset()
        assert opt_outs.stopped(session, "email", ["ada@example.org"]) == {"ada@example.org"}
        [*_, kept] = session.exec(select(Consent).order_by(Consent.id)).all()
    assert len(service.rows(Consent)) == before + 1
    assert (kept.channel, kept.address, kept.wording, kept.ip) == (
        "sms", PHONE, "I agree.", "198.51.100.7",
    )  # fmt: skip
    assert kept.given_at == service.clock()
    service.results({"rfv": 210})
    service.evaluate()
    assert [message.channel for message in service.messages()] == ["sms"]


def test_start_again_of_who_never_stopped_changes_nothing(service: Service) -> None:
    service.enrol({})
    before = service.rows(Consent)
    assert again(service) == []
    assert len(service.rows(Consent)) == len(before)


def test_start_again_is_no_consent_of_an_address_that_never_gave_it(service: Service) -> None:
    service.enrol({"consent_on": "", "consent_how": ""})
    stop(service)
    assert again(service) == []
    with service.sessions.read() as session:
        assert opt_outs.stopped(session, "sms", [PHONE]) == {PHONE}


def test_closed_field_cannot_be_cut(farm: Service) -> None:
    with farm.sessions.write() as session:
        row = session.get_one(FarmField, 2)
        row.closed_on = MONDAY - timedelta(days=3)
        session.add(row)
    with pytest.raises(WrongInput, match="given up"):
        start(farm, [2])


def test_stop_of_who_farmed_here_before_stops_nobody(farm: Service) -> None:
    before = Visitor(1, Role.FARM, 2, 1)
    with pytest.raises(NotYours), farm.sessions.write() as session:
        farm_actions.stop(session, before, 1, farm.clock())
    assert farm.rows(OptOut) == []
