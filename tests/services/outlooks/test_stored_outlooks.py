from __future__ import annotations

from datetime import time

from factories import MONDAY, Service, day

from alerts.domain.outlook import FarmOutlook, look_ahead
from alerts.services.outlooks.stored_outlooks import is_overtaken, stored_outlook
from alerts.store import outlooks, snapshots
from alerts.store.tables import Area


def both(service: Service) -> tuple[FarmOutlook, FarmOutlook | None]:
    """The outlook as it is worked out, and as its rows give it back."""
    parts = service.parts
    with service.sessions.read() as session:
        area = session.get_one(Area, 1)
        snapshot = snapshots.load_snapshot(session, [area], parts.season_first_day())
        # the sampling day after a Monday is the Thursday
        [fresh] = look_ahead(snapshot, parts.guidelines, MONDAY, [day(3)])
        return fresh, stored_outlook(outlooks.field_views(session, [1]))


def test_outlook_comes_back_as_it_was_worked_out(service: Service) -> None:
    service.enrol({"field": "North", "acres": "30"}, {"field": "South", "acres": "10"})
    service.results({"rfv": 208}, {"field": "South", "rfv": 222})
    service.evaluate()
    fresh, stored = both(service)
    assert stored == fresh


def test_outlook_under_way_comes_back_as_such(service: Service) -> None:
    service.enrol({"field": "North", "acres": "30"}, {"field": "South", "acres": "10"})
    service.results({"rfv": 208}, {"field": "South", "rfv": 222})
    service.cut("North", MONDAY)
    service.evaluate()
    fresh, stored = both(service)
    assert stored == fresh
    assert fresh.under_way


def test_field_cut_since_the_look_is_left_out(service: Service) -> None:
    service.enrol({"field": "North"}, {"field": "South"})
    service.results({"rfv": 208}, {"field": "South", "rfv": 222})
    service.evaluate()
    service.cut("North", MONDAY)
    _, stored = both(service)
    assert stored is not None
    assert [field.name for field in stored.fields] == ["South"]
    assert stored.under_way


def test_look_is_overtaken_until_the_next_one(service: Service) -> None:
    def overtaken() -> bool:
        with service.sessions.read() as session:
            return is_overtaken(outlooks.field_views(session, [1]))

    service.enrol({"field": "North"}, {"field": "South"})
    assert not overtaken()  # nothing was looked at yet
    service.results({"rfv": 208}, {"field": "South", "rfv": 222})
    service.evaluate()
    assert not overtaken()
    service.enrol({"field": "Creek"})
    assert overtaken()
    service.evaluate()
    assert not overtaken()
    service.clock.set(day(1), time(12))
    service.cut("North", day(1))
    assert overtaken()
    service.evaluate()
    assert not overtaken()


def test_farm_whose_last_field_is_cut_is_not_overtaken(service: Service) -> None:
    service.enrol({"field": "North"})
    service.results({"rfv": 208})
    service.evaluate()
    service.clock.set(day(1), time(12))
    service.cut("North", day(1))
    with service.sessions.read() as session:
        assert not is_overtaken(outlooks.field_views(session, [1]))


def test_farm_without_a_look_has_no_outlook(service: Service) -> None:
    service.enrol({})
    with service.sessions.read() as session:
        assert stored_outlook(outlooks.field_views(session, [1])) is None
        assert stored_outlook([]) is None
