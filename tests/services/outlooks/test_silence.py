from __future__ import annotations

from datetime import date, time

import pytest
from factories import Service, day
from sqlmodel import select

from alerts.services.outlooks.silence import told_of_silence
from alerts.store.people import Recipient
from alerts.store.tables import Area, Farm

JO = {"sampler": "Jo Tanager", "sampler_email": "jo@example.org"}


def silent_from(service: Service, days: str) -> date | None:
    """The first day on which Jo hears that nothing came, after one clip on Monday."""
    service.clock.set(day(0), time(12))
    service.enrol({"notice_days": 2, **JO})
    with service.sessions.write() as session:
        session.exec(select(Area)).one().sampling_days = days
    service.results({"rfv": 262})
    for n in range(1, 10):
        service.morning(day(n))
        if service.messages("no_results"):
            assert service.message("no_results").to_address == "jo@example.org"
            return service.message("no_results").told_on
    return None


@pytest.mark.parametrize(
    ("days", "from_day"),
    [
        ("mon,thu", day(6)),  # Thursday went by; five days are the rule of the guidelines
        ("wed", day(6)),
        ("mon", day(9)),  # due a week later, printed on Tuesday, missed on Wednesday
    ],
)
def test_field_is_silent_only_after_a_sampling_day_without_a_result(
    service: Service, days: str, from_day: date
) -> None:
    assert silent_from(service, days) == from_day


@pytest.mark.parametrize(
    ("sampler_id", "reached", "told"),
    [(2, {1, 2}, "sampler"), (None, {1, 2}, "farmer"), (2, {1}, "farmer"), (None, set(), None)],
)
def test_silence_is_told_to_the_sampler_else_the_farmer(
    sampler_id: int | None, reached: set[int], told: str | None
) -> None:
    people = {1: "farmer", 2: "sampler"}
    reach = {n: [Recipient(n, people[n], "email", f"{n}@example.org", "en")] for n in reached}
    found = told_of_silence(Farm(farmer_id=1, sampler_id=sampler_id), reach)
    assert [one.name for one in found] == ([told] if told else [])
