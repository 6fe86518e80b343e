"""Two consultants and two samplers with a farm or two each, for tests of who may see what."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import time

from factories import MONDAY, OTHER_PHONE, Service, day

from alerts.services.access.links import Role, Visitor, link_path, open_link
from alerts.store.tables import Farm, FarmField, Person

PER, EVA = "per@example.org", "eva@example.org"
JO, KIT = "jo@example.org", "kit@example.org"
_NAMES = {PER: "Per Nystrom", EVA: "Eva Roth", JO: "Jo Fenwick", KIT: "Kit Sandoval"}


def farm(
    name: str, field: str, consultant: str = PER, sampler: str = JO, **row: object
) -> dict[str, object]:
    """How a row of the roster differs from the usual one."""
    return {
        "farm": name,
        "field": field,
        "consultant": _NAMES[consultant],
        "consultant_email": consultant,
        "sampler": _NAMES[sampler],
        "sampler_email": sampler,
        **row,
    }


def settle_in(service: Service) -> Service:
    """Per advises Alder End and Plum Bottom, which Jo samples; Wide Acre is Eva's and Kit's.

    All have results of this morning and an outlook.
    """
    service.clock.set(MONDAY, time(6, 5))
    service.enrol(
        farm("Alder End", "Ridge"),
        farm("Alder End", "Hollow"),
        farm("Plum Bottom", "North"),
        farm("Wide Acre", "Long", EVA, KIT, farmer="Uma Holt", phone=OTHER_PHONE),
    )
    rows = (("Alder End", "Ridge", 235), ("Plum Bottom", "North", 205), ("Wide Acre", "Long", 230))
    results: list[Mapping[str, object]] = [
        {"farm": name, "field": field, "sampled_on": day(-ago).isoformat(), "rfv": rfv + 4 * ago}
        for name, field, rfv in rows
        for ago in (4, 0)
    ]
    service.results(*results)
    service.evaluate()
    return service


def person_id(service: Service, email: str) -> int:
    return _only(one.id for one in service.rows(Person) if one.email == email)


def farm_id(service: Service, name: str) -> int:
    return _only(one.id for one in service.rows(Farm) if one.name == name)


def field_id(service: Service, name: str) -> int:
    return _only(one.id for one in service.rows(FarmField) if one.name == name)


def _only(ids: Iterable[int | None]) -> int:
    [found] = ids
    assert found is not None
    return found


def page_of(service: Service, role: Role, email: str) -> str:
    """The path of an adviser's page: '/consultant/1.abc'."""
    with service.sessions.write() as session:
        return link_path(
            session,
            service.parts.link_rules(),
            role,
            person_id=person_id(service, email),
            now=service.clock(),
        )


def visitor_of(service: Service, role: Role, email: str) -> Visitor:
    token = page_of(service, role, email).rsplit("/", 1)[1]
    with service.sessions.read() as session:
        return open_link(session, service.parts.link_rules(), role, token, service.clock())
