from __future__ import annotations

from factories import MONDAY, Home, Service, day

from alerts.store import outlooks
from alerts.store.session import Sessions
from alerts.store.tables import FarmField, FarmOutlookRow, FieldOutlookRow


def sequence(sessions: Sessions, home: Home, start_on=MONDAY, cutting: int = 1) -> int:
    with sessions.write() as session:
        return outlooks.calendar_sequence(
            session,
            farm_id=home.farm_id,
            season=2027,
            cutting=cutting,
            uid="harvest-1@cutcall",
            start_on=start_on,
        )


def test_calendar_sequence_rises_only_when_the_date_moves(sessions: Sessions, home: Home) -> None:
    """RFC 5545 (Desruisseaux, 2009, section 3.8.7.4): it starts at 0 and rises with each revision
    of the event."""
    said = [sequence(sessions, home, day(n)) for n in (0, 0, 2, 2, 0)]
    assert said == [0, 0, 1, 1, 2]


def test_calendar_sequence_begins_anew_with_the_next_cutting(
    sessions: Sessions, home: Home
) -> None:
    sequence(sessions, home, day(0))
    sequence(sessions, home, day(2))
    assert sequence(sessions, home, day(30), cutting=2) == 0


def test_field_without_an_outlook_is_shown_all_the_same(sessions: Sessions, home: Home) -> None:
    with sessions.read() as session:
        [view] = outlooks.field_views(session)
    assert (view.field.name, view.outlook, view.farm_outlook) == ("North", None, None)


def test_closed_field_is_not_shown(sessions: Sessions, home: Home) -> None:
    with sessions.write() as session:
        session.get_one(FarmField, home.field_id).closed_on = MONDAY
    with sessions.read() as session:
        assert outlooks.field_views(session) == []


def test_views_of_named_farms_hold_no_other_farm(service: Service) -> None:
    service.enrol({"farm": "Plum Bottom"}, {"farm": "Stone Row"})
    with service.sessions.read() as session:
        everything = outlooks.field_views(session)
        assert [view.farm.name for view in everything] == ["Plum Bottom", "Stone Row"]
        chosen = outlooks.field_views(session, [everything[1].farm.id])
        assert [view.farm.name for view in chosen] == ["Stone Row"]
        assert outlooks.field_views(session, []) == []


def test_new_outlook_takes_the_place_of_the_old(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 205})
    service.evaluate()
    [before] = service.rows(FieldOutlookRow)
    service.later(hours=1)
    service.results({"rfv": 180})
    service.evaluate()
    [after] = service.rows(FieldOutlookRow)
    assert after.start_median < before.start_median
    assert after.made_at > before.made_at
    assert len(service.rows(FarmOutlookRow)) == 1


def test_outlook_of_a_cutting_that_was_taken_is_not_shown(service: Service) -> None:
    """Between the cut and the next look at the area, the old outlook says nothing of the field."""
    service.enrol({})
    service.results({"rfv": 205})
    service.evaluate()
    service.cut("North", day(0))
    with service.sessions.read() as session:
        [view] = outlooks.field_views(session)
    assert view.outlook is None
