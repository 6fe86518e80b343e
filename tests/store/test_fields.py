from __future__ import annotations

from datetime import date

import pytest
from factories import MONDAY, NOON, Home, day, put_home
from sqlalchemy.exc import IntegrityError
from sqlmodel import select

from alerts.store import fields
from alerts.store.session import Sessions
from alerts.store.tables import Cut, FarmField, FieldName


def find(sessions: Sessions, farm: str, field: str) -> list[int]:
    """Ids of the fields that answer to these keys."""
    with sessions.read() as session:
        found = fields.find_fields(session, [(farm, field)])
    return [known.id for known in found.get((farm, field), [])]


def add_name(sessions: Sessions, home: Home, farm_label: str, field_label: str) -> None:
    with sessions.write() as session:
        fields.add_name(session, home.field_id, farm_label, field_label)


@pytest.fixture
def namesake(sessions: Sessions, home: Home) -> Home:
    """A field of the same name on another farm."""
    return put_home(sessions, farm="Stone Row", field="North")


def test_field_is_found_by_its_own_name_and_farm(
    sessions: Sessions, home: Home, namesake: Home
) -> None:
    assert find(sessions, "plum bottom", "north") == [home.field_id]
    assert find(sessions, "stone row", "north") == [namesake.field_id]


def test_field_is_found_without_a_farm_while_its_name_is_the_only_one(
    sessions: Sessions, home: Home
) -> None:
    assert find(sessions, "", "north") == [home.field_id]


def test_field_named_alike_on_two_farms_is_ambiguous_without_a_farm(
    sessions: Sessions, home: Home, namesake: Home
) -> None:
    assert sorted(find(sessions, "", "north")) == sorted([home.field_id, namesake.field_id])


def test_unknown_names_lead_nowhere(sessions: Sessions, home: Home) -> None:
    assert find(sessions, "plum bottom", "south") == []
    assert find(sessions, "elsewhere", "north") == []


def test_other_name_leads_to_its_field_on_its_farm_and_without_one(
    sessions: Sessions, home: Home
) -> None:
    add_name(sessions, home, "", "N 40")
    assert find(sessions, "plum bottom", "n 40") == [home.field_id]
    assert find(sessions, "", "n 40") == [home.field_id]
    assert find(sessions, "stone row", "n 40") == []


def test_other_name_given_with_a_farm_label_answers_to_that_label_too(
    sessions: Sessions, home: Home
) -> None:
    """Laboratories often know the farm by the name of the family."""
    add_name(sessions, home, "Lindqvist Bros.", "N 40")
    assert find(sessions, "lindqvist bros", "n 40") == [home.field_id]
    assert find(sessions, "plum bottom", "n 40") == [home.field_id]
    assert find(sessions, "", "n 40") == [home.field_id]
    assert find(sessions, "stone row", "n 40") == []


def test_other_name_equal_to_another_fields_own_name_is_ambiguous(
    sessions: Sessions, home: Home
) -> None:
    other = put_home(sessions, farm="Stone Row", field="N 40")
    add_name(sessions, home, "", "N 40")
    assert sorted(find(sessions, "", "n 40")) == sorted([home.field_id, other.field_id])
    assert find(sessions, "plum bottom", "n 40") == [home.field_id]
    assert find(sessions, "stone row", "n 40") == [other.field_id]


def test_field_that_answers_twice_to_a_name_is_not_ambiguous(
    sessions: Sessions, home: Home
) -> None:
    add_name(sessions, home, "", "North")
    add_name(sessions, home, "Plum Bottom", "North")
    assert find(sessions, "plum bottom", "north") == [home.field_id]
    assert find(sessions, "", "north") == [home.field_id]


def test_same_other_name_twice_is_kept_once(sessions: Sessions, home: Home) -> None:
    add_name(sessions, home, "", "N 40")
    add_name(sessions, home, "", " n-40 ")
    with sessions.read() as session:
        assert len(session.exec(select(FieldName)).all()) == 1


def test_closed_field_is_found_with_the_day_it_was_closed(sessions: Sessions, home: Home) -> None:
    with sessions.write() as session:
        session.get_one(FarmField, home.field_id).closed_on = MONDAY
    with sessions.read() as session:
        [known] = fields.find_fields(session, [("", "north")])["", "north"]
    assert (known.closed_on, known.area_name) == (MONDAY, "Heron Flats")


def test_many_names_are_looked_up_in_one_go(sessions: Sessions, home: Home) -> None:
    """More names than one statement takes."""
    count = 2 * fields.CHUNK + 10
    with sessions.write() as session:
        session.add_all(
            FarmField(farm_id=home.farm_id, name=f"Plot {n}", key=f"plot {n}") for n in range(count)
        )
    wanted = [("plum bottom", f"plot {n}") for n in range(count)]
    with sessions.read() as session:
        found = fields.find_fields(session, wanted)
    assert {pair: known[0].name for pair, known in found.items()} == {
        ("plum bottom", f"plot {n}"): f"Plot {n}" for n in range(count)
    }


# ----------------------------------------------------------------------------- cuts


def cut(sessions: Sessions, home: Home, on: date) -> int:
    with sessions.write() as session:
        return fields.record_cut(session, home.field_id, on, NOON)


def test_cut_closes_the_cutting_and_opens_the_next(sessions: Sessions, home: Home) -> None:
    assert cut(sessions, home, MONDAY) == 1
    assert cut(sessions, home, day(30)) == 2
    with sessions.read() as session:
        field = session.get_one(FarmField, home.field_id)
        cuts = session.exec(select(Cut).order_by(Cut.id)).all()
    assert (field.cutting, field.cut_on) == (3, day(30))
    assert [(c.season, c.cutting, c.cut_on) for c in cuts] == [
        (2027, 1, MONDAY),
        (2027, 2, day(30)),
    ]


def test_same_cutting_of_a_season_cannot_be_cut_twice(sessions: Sessions, home: Home) -> None:
    cut(sessions, home, MONDAY)
    with sessions.write() as session:
        session.get_one(FarmField, home.field_id).cutting = 1
    with pytest.raises(IntegrityError):
        cut(sessions, home, day(1))


def test_undone_cut_opens_its_cutting_again_as_it_was(sessions: Sessions, home: Home) -> None:
    cut(sessions, home, MONDAY)
    cut(sessions, home, day(30))
    seen = []
    for _ in range(3):
        with sessions.write() as session:
            taken = fields.undo_cut(session, home.field_id)
            field = session.get_one(FarmField, home.field_id)
            seen.append((taken and (taken.cutting, taken.cut_on), field.cutting, field.cut_on))
    assert seen == [((2, day(30)), 2, MONDAY), ((1, MONDAY), 1, None), (None, 1, None)]
    assert cut(sessions, home, day(1)) == 1


def test_cut_of_an_earlier_season_cannot_be_undone(sessions: Sessions, home: Home) -> None:
    cut(sessions, home, date(2026, 9, 20))
    with sessions.write() as session:
        fields.open_new_season(session, date(2027, 3, 1))
    with sessions.write() as session:
        assert fields.undo_cut(session, home.field_id) is None
        assert len(session.exec(select(Cut)).all()) == 1


def test_closed_field_is_no_open_field(sessions: Sessions, home: Home) -> None:
    with sessions.write() as session:
        assert [field.id for field in fields.open_fields(session, home.farm_id)] == [home.field_id]
        fields.close(session, home.field_id, MONDAY)
    with sessions.read() as session:
        assert fields.open_fields(session, home.farm_id) == []
        assert session.get_one(FarmField, home.field_id).closed_on == MONDAY


def test_new_season_puts_cut_fields_back_and_leaves_the_others(
    sessions: Sessions, home: Home, namesake: Home
) -> None:
    cut(sessions, home, date(2026, 9, 20))
    cut(sessions, namesake, MONDAY)
    with sessions.write() as session:
        assert fields.open_new_season(session, date(2027, 3, 1)) == 1
    with sessions.read() as session:
        old = session.get_one(FarmField, home.field_id)
        new = session.get_one(FarmField, namesake.field_id)
    assert (old.cutting, old.cut_on) == (1, None)
    assert (new.cutting, new.cut_on) == (2, MONDAY)
    assert cut(sessions, home, MONDAY) == 1
