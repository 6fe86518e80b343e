"""What the projection is given of areas."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest
from factories import MONDAY, NOON, Home, day, put_home

from alerts.domain.area_fit import RESULT_KINDS
from alerts.domain.records import Method
from alerts.domain.snapshot import Snapshot, belongs_to_open_cutting, result_kind
from alerts.store import documents, snapshots
from alerts.store.session import Sessions
from alerts.store.tables import Area, Farm, FarmField, LabResult

SEASON = date(2027, 3, 1)


def add_result(sessions: Sessions, home: Home, **values: object) -> int:
    said = {
        "identity": f"row:{values}",
        "row": 2,
        "farm_label": "",
        "field_label": "North",
        "field_id": home.field_id,
        "lab": "",
        "lab_number": "",
        "method": "nir",
        "sampled_on": MONDAY,
        "readings": {},
        "rfv": 200.0,
        "received_at": NOON,
        **values,
    }
    with sessions.write() as session:
        document = documents.keep_document(
            session, name="a.csv", source="test", lab="", content=b"a", now=NOON
        )
        row = LabResult(document_id=document.id, **said)
        session.add(row)
        session.flush()
        return row.id


def snapshot(sessions: Sessions, *homes: Home) -> Snapshot:
    with sessions.read() as session:
        areas = [session.get_one(Area, home.area_id) for home in homes]
        return snapshots.load_snapshot(session, areas, SEASON)


def test_snapshot_gives_each_result_in_every_index_it_speaks(
    sessions: Sessions, home: Home
) -> None:
    add_result(sessions, home, rfv=200.0, rfq=190.0, ndf=38.0)
    add_result(sessions, home, rfv=None, rfq=150.0, sampled_on=day(3))
    found = snapshot(sessions, home)
    np.testing.assert_array_equal(found.results.rfv, [200.0, np.nan])
    assert found.results.rfq.tolist() == [190.0, 150.0]
    np.testing.assert_array_equal(found.results.ndf, [38.0, np.nan])
    assert found.results.day.tolist() == [MONDAY.toordinal(), day(3).toordinal()]


@pytest.mark.parametrize(
    ("circumstance", "values"),
    [
        ("of last season", {"sampled_on": date(2026, 5, 10)}),
        ("sampled on the day of the cut", {"sampled_on": MONDAY}),
        ("sampled the day after the cut", {"sampled_on": day(1)}),
        ("sampled two weeks less a day after it", {"sampled_on": day(13), "cutting": 2}),
        ("of another cutting", {"sampled_on": day(20), "cutting": 1}),
        ("without a field", {"sampled_on": day(20), "field_id": None}),
    ],
)
def test_snapshot_leaves_out_a_result(
    sessions: Sessions, home: Home, circumstance: str, values: dict[str, object]
) -> None:
    """The field is on its second cutting; the first was taken on the sampling day."""
    with sessions.write() as session:
        field = session.get_one(FarmField, home.field_id)
        field.cutting, field.cut_on = 2, MONDAY
    add_result(sessions, home, sampled_on=day(21), rfv=180.0)
    add_result(sessions, home, **values)
    assert snapshot(sessions, home).results.rfv.tolist() == [180.0], circumstance


def test_snapshot_leaves_out_a_replaced_result(sessions: Sessions, home: Home) -> None:
    old = add_result(sessions, home, rfv=200.0)
    new = add_result(sessions, home, rfv=210.0)
    with sessions.write() as session:
        session.get_one(LabResult, old).replaced_by = new
    assert snapshot(sessions, home).results.rfv.tolist() == [210.0]


def test_snapshot_leaves_out_closed_fields_and_other_areas(sessions: Sessions, home: Home) -> None:
    closed = put_home(sessions, farm="Stone Row", field="Old")
    with sessions.write() as session:
        session.get_one(FarmField, closed.field_id).closed_on = MONDAY
        session.add(Area(name="Otter Bend", time_zone="America/Denver"))
    add_result(sessions, closed)
    found = snapshot(sessions, home)
    assert found.fields.id.tolist() == [home.field_id]
    assert found.results.rfv.size == 0


def test_areas_come_by_their_ids_with_what_is_theirs(sessions: Sessions, home: Home) -> None:
    """Farms enrolled by turns in two areas, with results in any order."""
    east, west = (put_home(sessions, farm=name, field="Old") for name in ("Stone Row", "Ash Rise"))
    with sessions.write() as session:
        other = Area(name="Otter Bend", time_zone="America/Denver")
        session.add(other)
        session.flush()
        session.get_one(Farm, east.farm_id).area_id = other.id
        east = replace(east, area_id=other.id)
    add_result(sessions, west, rfv=170.0)
    add_result(sessions, east, rfv=190.0)
    add_result(sessions, home, rfv=210.0, sampled_on=day(-3))
    both = snapshot(sessions, east, home)
    assert [area.name for area in both.areas] == ["Heron Flats", "Otter Bend"]
    assert [farm.id for farm in both.farms] == [home.farm_id, west.farm_id, east.farm_id]
    assert both.area.tolist() == [0, 0, 1]
    assert both.fields.id.tolist() == [home.field_id, west.field_id, east.field_id]
    assert both.fields.farm.tolist() == [0, 1, 2]
    assert sorted(zip(both.results.field.tolist(), both.results.rfv.tolist(), strict=True)) == [
        (0, 210.0),
        (1, 170.0),
        (2, 190.0),
    ]


def test_methods_are_told_apart_and_stems_by_their_spots(sessions: Sessions, home: Home) -> None:
    said = [("wet", 0), ("nir", 0), ("stem", 2), ("stem", 3)]
    for number, (method, spots) in enumerate(said):
        add_result(sessions, home, method=method, spots=spots, sampled_on=day(number))
    names = [RESULT_KINDS[kind] for kind in snapshot(sessions, home).results.kind.tolist()]
    assert names == ["wet", "nir", "stem_one_spot", "stem_mean"]
    assert names == [result_kind(Method(method), spots) for method, spots in said]


@pytest.mark.parametrize("cut_after", [None, 0, 5])
@pytest.mark.parametrize("said", [None, 1, 2])
def test_many_results_are_chosen_as_one_would_be(
    sessions: Sessions, home: Home, cut_after: int | None, said: int | None
) -> None:
    with sessions.write() as session:
        field = session.get_one(FarmField, home.field_id)
        field.cutting, field.cut_on = 2, None if cut_after is None else day(cut_after)
    days = [day(after) for after in range(-2, 24)]
    for sampled_on in days:
        add_result(sessions, home, sampled_on=sampled_on, cutting=said)
    with sessions.read() as session:
        field = session.get_one(FarmField, home.field_id)
    expected = [on for on in days if belongs_to_open_cutting(field, said, on)]
    assert snapshot(sessions, home).results.day.tolist() == [on.toordinal() for on in expected]


def test_result_taken_back_is_left_out(sessions: Sessions, home: Home) -> None:
    add_result(sessions, home, rfv=200.0, withdrawn_at=NOON)
    assert snapshot(sessions, home).results.rfv.size == 0


Read = Callable[..., Any]


def test_field_opened_between_two_statements_is_left_to_the_next_look(
    sessions: Sessions, home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    """PostgreSQL shows each statement what was committed by then; a result stays its field's."""
    with sessions.write() as session:
        closed = FarmField(farm_id=home.farm_id, name="A", key="a", closed_on=MONDAY)
        later = FarmField(farm_id=home.farm_id, name="B", key="b")
        session.add_all([closed, later])
        session.flush()
        ids = (home.field_id, closed.id, later.id)
    for number, field_id in enumerate(ids):
        add_result(sessions, home, field_id=field_id, rfv=200.0 + number)

    def opened() -> None:
        with sessions.write() as session:
            session.get_one(FarmField, ids[1]).closed_on = None

    monkeypatch.setattr(snapshots, "_results", after(opened, snapshots._results))
    found = snapshot(sessions, home)
    told = dict(zip(found.fields.id[found.results.field], found.results.rfv, strict=True))
    assert told == {ids[0]: 200.0, ids[2]: 202.0}
    assert len(found.results.rfv) == 2


@pytest.mark.parametrize("farms", [1, 0])
def test_farm_that_comes_between_two_statements_is_left_to_the_next_look(
    sessions: Sessions, home: Home, monkeypatch: pytest.MonkeyPatch, farms: int
) -> None:
    if not farms:
        with sessions.write() as session:
            other = Area(name="Elsewhere", time_zone="America/Chicago")
            session.add(other)
            session.flush()
            session.get_one(Farm, home.farm_id).area_id = other.id

    def enrolled() -> None:
        put_home(sessions, "Far Side", "South")

    monkeypatch.setattr(snapshots, "_fields", after(enrolled, snapshots._fields))
    found = snapshot(sessions, home)
    assert [farm.name for farm in found.farms] == ["Plum Bottom"][:farms]
    assert found.fields.name == ["North"][:farms]


def after(happens: Callable[[], None], read: Read) -> Read:
    """What ``read`` gives once something has happened over another connection."""

    def late(*told: Any) -> Any:
        happens()
        return read(*told)

    return late
