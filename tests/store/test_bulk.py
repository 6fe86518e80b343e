"""Rows read and written as columns, on whichever engine the tests run."""

from __future__ import annotations

from datetime import date

import pytest
from factories import MONDAY, NOON, Home, day
from sqlalchemy.exc import IntegrityError
from sqlmodel import col, select

from alerts.store import bulk, stream
from alerts.store.session import Sessions
from alerts.store.tables import AreaWeather, FarmField, FieldName, FieldOutlookRow


@pytest.fixture(autouse=True, params=[1, 1000], ids=["as a stream", "row by row"])
def enough(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """From how many rows on PostgreSQL takes them as a stream; on SQLite both are the same."""
    monkeypatch.setattr(stream, "ENOUGH", request.param)


def weather(home: Home, *days: date, tmax_f: float = 70.5) -> bulk.Columns:
    return {
        "area_id": [home.area_id] * len(days),
        "day": days,
        "tmax_f": [tmax_f] * len(days),
        "tmin_f": [50.0] * len(days),
        "forecast": [False] * len(days),
        "fetched_at": [NOON] * len(days),
    }


def stored(sessions: Sessions) -> list[AreaWeather]:
    with sessions.read() as session:
        return list(session.exec(select(AreaWeather).order_by(col(AreaWeather.day))))


def test_rows_come_back_as_the_session_would_give_them(sessions: Sessions, home: Home) -> None:
    with sessions.write() as session:
        bulk.insert(session, AreaWeather, weather(home, MONDAY, day(1)))
    rows = stored(sessions)
    assert [(row.day, row.tmax_f, row.forecast, row.fetched_at) for row in rows] == [
        (MONDAY, 70.5, False, NOON),
        (day(1), 70.5, False, NOON),
    ]
    query = select(AreaWeather.day, AreaWeather.forecast, AreaWeather.rain_in)
    with sessions.read() as session:
        days, forecast, rain = bulk.fetch(session, query.order_by(col(AreaWeather.day)))
    assert (tuple(days), tuple(forecast), tuple(rain)) == (
        (MONDAY, day(1)),
        (False, False),
        (None, None),
    )


def test_a_query_without_rows_gives_empty_columns(sessions: Sessions) -> None:
    with sessions.read() as session:
        assert bulk.fetch(session, select(AreaWeather.day, AreaWeather.tmax_f)) == [(), ()]


def test_put_replaces_what_a_row_holds_in_the_columns_given(sessions: Sessions, home: Home) -> None:
    with sessions.write() as session:
        bulk.insert(session, AreaWeather, {**weather(home, MONDAY), "rain_in": [0.3]})
        bulk.put(session, AreaWeather, weather(home, MONDAY, day(1), tmax_f=81.0))
    rows = stored(sessions)
    assert [(row.day, row.tmax_f, row.rain_in) for row in rows] == [
        (MONDAY, 81.0, 0.3),
        (day(1), 81.0, None),
    ]


def test_rows_put_twice_by_one_transaction_hold_what_came_last(
    sessions: Sessions, home: Home
) -> None:
    with sessions.write() as session:
        bulk.put(session, AreaWeather, weather(home, MONDAY, day(1)))
        bulk.put(session, AreaWeather, weather(home, day(1), day(2), tmax_f=81.0))
    assert [(row.day, row.tmax_f) for row in stored(sessions)] == [
        (MONDAY, 70.5),
        (day(1), 81.0),
        (day(2), 81.0),
    ]


def test_numbers_of_rows_rise_in_the_order_they_were_given(sessions: Sessions, home: Home) -> None:
    words = ["last", "tab\there", "line\nbreak", "\\N", "\\", "", "Größe '\"%s, 🌾", "first"]
    with sessions.write() as session:
        bulk.insert(
            session,
            FieldName,
            {"field_id": [home.field_id] * len(words), "farm_key": words, "field_key": words},
        )
    with sessions.read() as session:
        names = session.exec(select(FieldName.field_key).order_by(col(FieldName.id))).all()
    assert list(names) == words


def test_insert_refuses_a_key_that_is_there(sessions: Sessions, home: Home) -> None:
    with pytest.raises(IntegrityError), sessions.write() as session:
        bulk.insert(session, AreaWeather, weather(home, MONDAY))
        bulk.insert(session, AreaWeather, weather(home, MONDAY))
    assert stored(sessions) == []


def test_nothing_given_changes_nothing(sessions: Sessions, home: Home) -> None:
    with sessions.write() as session:
        bulk.put(session, AreaWeather, weather(home))
    assert stored(sessions) == []


def test_a_document_is_given_as_its_text(sessions: Sessions, home: Home) -> None:
    with sessions.write() as session:
        bulk.put(
            session,
            FieldOutlookRow,
            {
                "field_id": [home.field_id],
                "farm_id": [home.farm_id],
                "cutting": [1],
                "made_at": [NOON],
                "index": ["rfv"],
                "standing_target": [185.0],
                "results": [2],
                "detail": ['{"stands_in": "Größe \\"A\\" 100 %s"}'],
            },
        )
    with sessions.read() as session:
        row = session.get_one(FieldOutlookRow, home.field_id)
        assert row.detail == {"stands_in": 'Größe "A" 100 %s'}


def test_what_waits_in_the_session_is_there_before(sessions: Sessions, home: Home) -> None:
    with sessions.write() as session:
        field = FarmField(farm_id=home.farm_id, name="New", key="new")
        session.add(field)
        bulk.insert(session, AreaWeather, weather(home, MONDAY))
        assert field.id is not None
