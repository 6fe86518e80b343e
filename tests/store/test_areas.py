from __future__ import annotations

import threading
from datetime import datetime, timedelta

from factories import NOON, Home
from sqlmodel import select

from alerts.store import areas
from alerts.store.areas import Release
from alerts.store.session import Sessions
from alerts.store.tables import Area

LEASE = timedelta(minutes=5)


def mark_due(sessions: Sessions, home: Home, at=NOON) -> None:
    with sessions.write() as session:
        areas.mark_due(session, [home.area_id], at)


def claim(sessions: Sessions, owner: str = "one", at=NOON) -> Area | None:
    with sessions.write() as session:
        found = areas.claim_due(session, owner=owner, now=at, lease=LEASE)
    return found[0] if found else None


def release(sessions: Sessions, area: Area, next_due=NOON + timedelta(days=1)) -> None:
    with sessions.write() as session:
        assert areas.release(session, [Release(area, area.due_at, next_due)])


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


# ----------------------------------------------------------------------- many at once


def some_due(sessions: Sessions, *due_at: datetime) -> None:
    with sessions.write() as session:
        for number, at in enumerate(due_at):
            session.add(Area(name=f"Reach {number}", time_zone="America/Chicago", due_at=at))


def claim_many(sessions: Sessions, limit: int, owner: str = "one") -> list[Area]:
    with sessions.write() as session:
        return areas.claim_due(session, owner=owner, now=NOON, lease=LEASE, limit=limit)


def due_by_name(sessions: Sessions) -> dict[str, datetime | None]:
    with sessions.read() as session:
        return {area.name: area.due_at for area in session.exec(select(Area))}


def test_several_are_claimed_those_longest_due_first(sessions: Sessions) -> None:
    hours = [NOON - timedelta(hours=k) for k in (1, 5, 3, 4)]
    some_due(sessions, *hours, NOON + timedelta(hours=1))
    first, second = claim_many(sessions, 3), claim_many(sessions, 3, "two")
    assert {area.name for area in first} == {"Reach 1", "Reach 2", "Reach 3"}
    assert [(area.name, area.lease_owner) for area in second] == [("Reach 0", "two")]


def test_each_is_given_back_for_its_own_morning(sessions: Sessions) -> None:
    some_due(sessions, NOON, NOON, NOON - timedelta(hours=1))
    claimed = claim_many(sessions, 3)
    later = {area.name: NOON + timedelta(hours=k) for k, area in enumerate(claimed, start=1)}
    with sessions.write() as session:
        given = [Release(area, area.due_at, later[area.name]) for area in claimed]
        assert areas.release(session, given)
    assert due_by_name(sessions) == later
    assert len(claim_many(sessions, 3)) == 0


def test_wishes_that_came_in_meanwhile_survive_among_others(sessions: Sessions) -> None:
    some_due(sessions, NOON, NOON, NOON)
    claimed = claim_many(sessions, 3)
    with sessions.write() as session:
        areas.mark_due(session, [claimed[1].id or 0], NOON + timedelta(seconds=2))
    tomorrow = NOON + timedelta(days=1)
    with sessions.write() as session:
        assert areas.release(session, [Release(area, NOON, tomorrow) for area in claimed])
    assert sorted(at for at in due_by_name(sessions).values() if at) == [
        NOON + timedelta(seconds=2),
        tomorrow,
        tomorrow,
    ]


def test_lease_of_one_that_was_taken_over_is_told(sessions: Sessions) -> None:
    some_due(sessions, NOON, NOON)
    claimed = claim_many(sessions, 2)
    with sessions.write() as session:
        session.get_one(Area, claimed[0].id).lease_owner = "two"
    with sessions.write() as session:
        given = [Release(area, NOON, NOON + timedelta(days=1)) for area in claimed]
        assert not areas.release(session, given)


def test_due_moments_are_read_as_they_stand_now(sessions: Sessions) -> None:
    some_due(sessions, NOON, NOON)
    claimed = claim_many(sessions, 2)
    with sessions.write() as session:
        areas.mark_due(session, [claimed[0].id or 0], NOON + timedelta(seconds=2))
    with sessions.read() as session:
        assert areas.due_since(session, claimed) == {
            claimed[0].id: NOON + timedelta(seconds=2),
            claimed[1].id: NOON,
        }


def test_who_marks_areas_and_who_gives_them_back_never_wait_in_a_circle(
    sessions: Sessions,
) -> None:
    """Only PostgreSQL locks rows: https://www.postgresql.org/docs/current/explicit-locking.html"""
    some_due(sessions, NOON, NOON)
    claimed = claim_many(sessions, 2)
    first, second = (area.id or 0 for area in claimed)
    later = NOON + timedelta(days=1)
    failed: list[Exception] = []

    def give_back() -> None:
        try:
            with sessions.write_beside() as session:
                areas.release(session, [Release(area, area.due_at, later) for area in claimed])
        except Exception as error:
            failed.append(error)

    other = threading.Thread(target=give_back)
    with sessions.write() as session:
        areas.mark_due(session, [second], NOON + timedelta(seconds=2))
        other.start()
        other.join(0.5)
        areas.mark_due(session, [first], NOON + timedelta(seconds=2))
    other.join(20)
    assert failed == []
    with sessions.read() as session:
        due = areas.due_since(session, claimed)
    assert set(due.values()) == {NOON + timedelta(seconds=2)}


def test_area_marked_beside_a_savepoint_is_due_once_all_is_committed(sessions: Sessions) -> None:
    some_due(sessions, NOON, NOON)
    with sessions.write() as session:
        areas.mark_due(session, [1], NOON + timedelta(seconds=2))
        with session.begin_nested():
            session.get_one(Area, 2).name = "Stone Bench"
        areas.mark_due(session, [1], NOON + timedelta(seconds=3))
        areas.mark_due(session, [2], NOON + timedelta(seconds=1))
    with sessions.read() as session:
        found = {area_id: area.due_at for area_id, area in areas.all_areas(session).items()}
    assert found == {1: NOON + timedelta(seconds=3), 2: NOON + timedelta(seconds=1)}
