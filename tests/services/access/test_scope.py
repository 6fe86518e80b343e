"""Whose farms a link shows: three farms of different people, every role."""

from __future__ import annotations

import pytest
from factories import Service
from sqlmodel import select

from alerts.services.access.links import Role, Visitor
from alerts.services.access.scope import NotYours, farm_ids, require_farm, require_field
from alerts.store.tables import Farm, FarmField, Person

ROWS = [
    {"farm": "Plum Bottom", "phone": "+12025550143", "consultant": "Cara Voss",
     "consultant_email": "cara@example.org", "sampler": "Sam Oyen",
     "sampler_email": "sam@example.org"},
    {"farm": "Quarry Lane", "farmer": "Bo Ek", "phone": "+12025550144", "consultant": "Cara Voss",
     "consultant_email": "cara@example.org", "sampler": "Sue Holt",
     "sampler_email": "sue@example.org"},
    {"farm": "Marsh End", "farmer": "Di Ruiz", "phone": "+12025550145", "consultant": "Cleo Hart",
     "consultant_email": "cleo@example.org", "sampler": "Sam Oyen",
     "sampler_email": "sam@example.org"},
]  # fmt: skip


@pytest.fixture
def neighbors(service: Service) -> Service:
    service.enrol(*ROWS)
    return service


def visitor(service: Service, role: Role, email: str = "", farm: str = "") -> Visitor:
    with service.sessions.read() as session:
        person = session.exec(select(Person.id).where(Person.email == email)).first()
        farm_id = session.exec(select(Farm.id).where(Farm.name == farm)).first()
    return Visitor(1, role, person if email else None, farm_id)


CASES = [
    (Role.FARM, "", "Quarry Lane", {"Quarry Lane"}),
    (Role.CONSULTANT, "cara@example.org", "", {"Plum Bottom", "Quarry Lane"}),
    (Role.CONSULTANT, "cleo@example.org", "", {"Marsh End"}),
    (Role.SAMPLER, "sam@example.org", "", {"Plum Bottom", "Marsh End"}),
    # somebody who samples is nobody's consultant for it
    (Role.CONSULTANT, "sam@example.org", "", set()),
    (Role.OPERATOR, "", "", {"Plum Bottom", "Quarry Lane", "Marsh End"}),
]


@pytest.mark.parametrize(("role", "email", "farm", "expected"), CASES)
def test_scope_holds_just_the_farms_of_the_visitor(
    neighbors: Service, role: Role, email: str, farm: str, expected: set[str]
) -> None:
    who = visitor(neighbors, role, email, farm)
    with neighbors.sessions.read() as session:
        farms = {row.id: row for row in session.exec(select(Farm))}
        assert {farms[farm_id].name for farm_id in farm_ids(session, who)} == expected
        for farm_id, row in farms.items():
            fields = session.exec(select(FarmField).where(FarmField.farm_id == farm_id)).all()
            assert fields
            if row.name in expected:
                assert require_farm(session, who, farm_id or 0).id == farm_id
                assert all(require_field(session, who, f.id or 0).id == f.id for f in fields)
                continue
            with pytest.raises(NotYours):
                require_farm(session, who, farm_id or 0)
            for field in fields:
                with pytest.raises(NotYours):
                    require_field(session, who, field.id or 0)


@pytest.mark.parametrize("role", [Role.FARM, Role.CONSULTANT, Role.SAMPLER])
def test_link_without_a_person_or_farm_shows_nothing(neighbors: Service, role: Role) -> None:
    with neighbors.sessions.read() as session:
        assert farm_ids(session, Visitor(1, role, None, None)) == frozenset()


def test_farm_that_is_nowhere_is_refused_like_another_s(neighbors: Service) -> None:
    who = visitor(neighbors, Role.OPERATOR)
    with neighbors.sessions.read() as session, pytest.raises(NotYours) as nowhere:
        require_farm(session, who, 999)
    other = visitor(neighbors, Role.FARM, farm="Quarry Lane")
    with neighbors.sessions.read() as session, pytest.raises(NotYours) as another:
        require_farm(session, other, 1)
    assert str(nowhere.value) == str(another.value)
