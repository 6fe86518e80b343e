from __future__ import annotations

import threading
from datetime import date, timedelta

import numpy as np
import pytest
from factories import MONDAY, NOON, Home, day, put_home

from alerts.store import areas, documents
from alerts.store.session import Sessions
from alerts.store.tables import Area, FarmField, LabResult

LEASE = timedelta(minutes=5)
SEASON = date(2027, 3, 1)


def mark_due(sessions: Sessions, home: Home, at=NOON) -> None:
    with sessions.write() as session:
        areas.mark_due(session, [home.area_id], at)


def claim(sessions: Sessions, owner: str = "one", at=NOON) -> Area | None:
    with sessions.write() as session:
        return areas.claim_due(session, owner=owner, now=at, lease=LEASE)


def release(sessions: Sessions, area: Area, next_due=NOON + timedelta(days=1)) -> None:
    with sessions.write() as session:
        areas.release(session, area, due_seen=area.due_at, next_due=next_due)


def now_in_store(sessions: Sessions, home: Home) -> Area:
    with sessions.read() as session:
        return session.get_one(Area, home.area_id)


def test_area_that_nobody_marked_is_not_claimed(sessions: Sessions, home: Home) -> None:
    assert claim(sessions) is None


def test_area_due_later_is_not_claimed(sessions: Sessions, home: Home) -> None:
    mark_due(sessions, home, NOON + timedelta(seconds=1))
    assert claim(sessions) is None
    assert claim(sessions, at=NOON + timedelta(seconds=1)) is not None


def test_due_area_is_claimed_once(sessions: Sessions, home: Home) -> None:
    mark_due(sessions, home)
    area = claim(sessions)
    assert area is not None
    assert area.id == home.area_id
    assert claim(sessions, "two") is None


def test_two_workers_never_hold_one_area(sessions: Sessions, home: Home) -> None:
    mark_due(sessions, home)
    together = threading.Barrier(4)
    held: list[Area | None] = []

    def work(owner: str) -> None:
        together.wait()
        held.append(claim(sessions, owner))

    workers = [threading.Thread(target=work, args=(f"worker {n}",)) for n in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert len([area for area in held if area is not None]) == 1


def test_area_longest_due_is_claimed_first(sessions: Sessions, home: Home) -> None:
    with sessions.write() as session:
        other = Area(name="Otter Bend", time_zone="America/Denver")
        session.add(other)
        session.flush()
        areas.mark_due(session, [home.area_id], NOON)
        areas.mark_due(session, [other.id], NOON - timedelta(hours=1))
    first, second = claim(sessions), claim(sessions)
    assert [first.name, second.name] == ["Otter Bend", "Heron Flats"]


def test_lapsed_lease_lets_another_worker_in(sessions: Sessions, home: Home) -> None:
    mark_due(sessions, home)
    claim(sessions, "died")
    assert claim(sessions, "two", NOON + LEASE) is None
    area = claim(sessions, "two", NOON + LEASE + timedelta(seconds=1))
    assert area is not None
    assert area.lease_owner == "two"


def test_released_area_is_free_and_due_when_said(sessions: Sessions, home: Home) -> None:
    mark_due(sessions, home)
    release(sessions, claim(sessions), NOON + timedelta(days=1))
    stored = now_in_store(sessions, home)
    assert (stored.lease_owner, stored.lease_until) == ("", None)
    assert stored.due_at == NOON + timedelta(days=1)
    assert claim(sessions) is None
    assert claim(sessions, at=NOON + timedelta(days=1)) is not None


def test_wish_that_came_in_meanwhile_survives_the_release(sessions: Sessions, home: Home) -> None:
    mark_due(sessions, home)
    area = claim(sessions)
    meanwhile = NOON + timedelta(seconds=2)
    mark_due(sessions, home, meanwhile)
    release(sessions, area)
    assert now_in_store(sessions, home).due_at == meanwhile
    assert claim(sessions, at=meanwhile) is not None


def test_marking_no_area_due_changes_nothing(sessions: Sessions, home: Home) -> None:
    with sessions.write() as session:
        areas.mark_due(session, [], NOON)
    assert now_in_store(sessions, home).due_at is None


# ------------------------------------------------------------------------- snapshot


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


def snapshot(sessions: Sessions, home: Home):
    with sessions.read() as session:
        area = session.get_one(Area, home.area_id)
        return areas.load_snapshot(session, area, SEASON)


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
    assert [field.id for field in found.fields] == [home.field_id]
    assert found.results.rfv.size == 0
