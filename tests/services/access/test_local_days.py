"""The day it is where the fields are."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from advisers import JO, farm, field_id, visitor_of
from factories import NOON, THIRD_PHONE, Service, day

from alerts.services.access.links import Role, Visitor
from alerts.services.access.local_days import day_in, today_of


@pytest.mark.parametrize(
    ("zone", "ahead"), [("America/Chicago", 0), ("Pacific/Auckland", 1), ("UTC", 0)]
)
def test_day_is_that_of_the_zone(zone: str, ahead: int) -> None:
    assert day_in(zone, NOON) == day(ahead)


def test_sampler_sees_the_day_of_the_field_else_of_the_first_farm(service: Service) -> None:
    far = {"area": "Far", "time_zone": "Pacific/Auckland", "farmer": "Bo", "phone": THIRD_PHONE}
    service.enrol(farm("Plum Bottom", "North"), farm("Quay", "Dune", **far))
    jo = visitor_of(service, Role.SAMPLER, JO)

    def today(field: int | None = None, who: Visitor = jo) -> date:
        with service.sessions.read() as session:
            return today_of(session, who, NOON, "Pacific/Kiritimati", field)

    assert today() == day(0)
    assert today(field_id(service, "Dune")) == day(1)
    assert today(field_id(service, "North")) == day(0)
    nobody = Visitor(1, Role.SAMPLER, jo.person_id + 99 if jo.person_id else 99, None)
    assert today(field_id(service, "North"), nobody) == day(0) + timedelta(days=1)
