"""What was read is told from what would be read now, on both engines."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from sqlalchemy import text
from sqlmodel import Session, col, select

from alerts.store import jobs
from alerts.store.session import Sessions
from alerts.store.tables import Area

ZONE = "America/Chicago"


def put_area(sessions: Sessions, name: str, time_zone: str = ZONE) -> None:
    with sessions.write() as session:
        found = session.exec(select(Area).where(Area.name == name)).first()
        area = found or Area(name=name, time_zone=time_zone)
        area.time_zone = time_zone
        session.add(area)


def zones(session: Session) -> list[str]:
    """Two statements, of which the second depends on what the first gave."""
    names = session.exec(select(Area.name).where(col(Area.name) < "M")).all()
    return list(session.exec(select(Area.time_zone).where(col(Area.name).in_(names))))


@pytest.fixture
def is_still_so(sessions: Sessions) -> Callable[[], bool]:
    put_area(sessions, "Alder Reach")
    put_area(sessions, "Willow Draw")
    found, is_still_so = sessions.read_watched(zones)
    assert found == [ZONE]
    assert is_still_so()
    return is_still_so


def test_change_of_a_row_that_was_read_is_seen(
    sessions: Sessions, is_still_so: Callable[[], bool]
) -> None:
    put_area(sessions, "Alder Reach", "America/Denver")
    assert not is_still_so()
    put_area(sessions, "Alder Reach", ZONE)
    assert is_still_so()


def test_row_that_is_added_or_goes_is_seen(
    sessions: Sessions, is_still_so: Callable[[], bool]
) -> None:
    put_area(sessions, "Heron Flats")
    assert not is_still_so()
    with sessions.write() as session:
        session.delete(session.exec(select(Area).where(Area.name == "Heron Flats")).one())
    assert is_still_so()


def test_change_of_what_was_not_read_is_none(
    sessions: Sessions, is_still_so: Callable[[], bool]
) -> None:
    put_area(sessions, "Willow Draw", "America/Denver")
    with sessions.write() as session:
        session.connection().execute(text("UPDATE area SET sampling_days = 'mon'"))
    assert is_still_so()


def test_what_is_not_committed_is_not_seen(
    sessions: Sessions, is_still_so: Callable[[], bool]
) -> None:
    with sessions.write() as session:
        session.add(Area(name="Heron Flats", time_zone=ZONE))
        session.flush()
        assert is_still_so()
    assert not is_still_so()


def test_commit_while_it_is_read_is_seen(sessions: Sessions) -> None:
    """All statements of a reading see one moment, and what they saw is compared with now."""
    put_area(sessions, "Alder Reach")

    def read(session: Session) -> tuple[list[str], list[str]]:
        before = zones(session)
        put_area(sessions, "Alder Reach", "America/Denver")
        return before, list(session.exec(select(Area.time_zone)))

    found, is_still_so = sessions.read_watched(read)
    assert found == ([ZONE], [ZONE])
    assert not is_still_so()


def test_who_reads_may_not_write(sessions: Sessions) -> None:
    put_area(sessions, "Alder Reach")

    def write(session: Session) -> None:
        session.connection().execute(text("UPDATE area SET name = 'Heron Flats'"))

    with pytest.raises(ValueError, match="a reading session"):
        sessions.read_watched(write)


def test_job_of_the_ticker_changes_the_mark_alone(
    sessions: Sessions, is_still_so: Callable[[], bool]
) -> None:
    now, before = datetime(2027, 5, 10, tzinfo=UTC), sessions.mark()
    with sessions.write() as session:
        jobs.put_run(session, name="clock", started_at=now, ended_at=now, ok=True)
    assert sessions.mark() != before
    assert is_still_so()
