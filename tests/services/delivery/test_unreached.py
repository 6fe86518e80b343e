from __future__ import annotations

from factories import PHONE, Service

from alerts.services.delivery.unreached import NO_ADDRESS, NO_CONSENT, STOPPED, why_unreached
from alerts.store import opt_outs
from alerts.store.tables import Person


def farmer(service: Service) -> int:
    [person] = service.rows(Person)
    return int(person.id)


def reasons(service: Service) -> dict[int, str]:
    with service.sessions.read() as session:
        return why_unreached(session, [farmer(service)])


def test_farmer_with_consent_is_reached(service: Service) -> None:
    service.enrol({})
    assert reasons(service) == {}


def test_farmer_without_consent_is_not(service: Service) -> None:
    service.enrol({"consent_on": ""})
    assert reasons(service) == {farmer(service): NO_CONSENT}


def test_farmer_who_stopped_is_not(service: Service) -> None:
    service.enrol({})
    with service.sessions.write() as session:
        opt_outs.stop(session, "sms", PHONE, service.clock(), "replied STOP")
    assert reasons(service) == {farmer(service): STOPPED}


def test_farmer_without_the_address_for_their_wish_is_not(service: Service) -> None:
    service.enrol({})
    with service.sessions.write() as session:
        person = session.get_one(Person, farmer(service))
        person.alert_by = "email"
        session.add(person)
    assert reasons(service) == {farmer(service): NO_ADDRESS}
