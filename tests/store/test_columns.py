from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from factories import AREA, Home
from sqlalchemy.exc import StatementError
from sqlmodel import select

from alerts.store.session import Sessions
from alerts.store.tables import Area


def test_instant_without_a_zone_is_refused(sessions: Sessions, home: Home) -> None:
    naive = datetime(2027, 5, 10, 12)
    with pytest.raises(StatementError, match="has no time zone"), sessions.write() as session:
        session.get_one(Area, home.area_id).due_at = naive


def test_instant_without_a_zone_is_refused_in_a_comparison(sessions: Sessions) -> None:
    with pytest.raises(StatementError, match="has no time zone"), sessions.read() as session:
        session.exec(select(Area).where(Area.due_at <= datetime(2027, 5, 10, 12))).all()


@pytest.mark.parametrize("zone", ["UTC", "America/Chicago", "Australia/Lord_Howe"])
def test_instant_comes_back_aware_and_the_same(sessions: Sessions, home: Home, zone: str) -> None:
    written = datetime(2027, 5, 10, 12, 34, 56, 789012, tzinfo=ZoneInfo(zone))
    with sessions.write() as session:
        session.get_one(Area, home.area_id).due_at = written
    with sessions.read() as session:
        read = session.exec(select(Area.due_at).where(Area.name == AREA)).one()
    assert read == written
    assert read.utcoffset() == timedelta(0)


def test_instants_of_different_zones_compare_by_time(sessions: Sessions, home: Home) -> None:
    """Noon in Chicago lies after 16:59 and not after 17:00 of UTC (daylight time, UTC-5)."""
    noon = datetime(2027, 5, 10, 12, tzinfo=ZoneInfo("America/Chicago"))
    with sessions.write() as session:
        session.get_one(Area, home.area_id).due_at = noon
    with sessions.read() as session:
        late = select(Area.id).where(Area.due_at > datetime(2027, 5, 10, 16, 59, tzinfo=UTC))
        later = select(Area.id).where(Area.due_at > datetime(2027, 5, 10, 17, tzinfo=UTC))
        assert session.exec(late).all() == [home.area_id]
        assert session.exec(later).all() == []


def test_no_instant_comes_back_as_none(sessions: Sessions, home: Home) -> None:
    with sessions.read() as session:
        assert session.get_one(Area, home.area_id).lease_until is None
