"""What only an email tells of a start date: a chart and the way to the farm's page; and pauses."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import time, timedelta
from typing import Any

import pytest
from factories import MONDAY, Service, day
from sqlmodel import Session

from alerts.charts import outlook_drawing
from alerts.services.delivery.outgoing import outgoing
from alerts.services.outlooks.evaluate_areas import evaluate_next
from alerts.store.session import Sessions
from alerts.store.tables import AccessLink, Farm

EMAIL = "ada@example.org"
PNG = b"\x89PNG\r\n\x1a\n"


def pause(service: Service, until: int | None) -> None:
    with service.sessions.write() as session:
        farm = session.get_one(Farm, 1)
        farm.paused_until = None if until is None else day(until)
        session.add(farm)


def test_email_shows_the_chart_its_words_and_the_farms_page(service: Service) -> None:
    service.enrol({"email": EMAIL, "alert_by": "email"})
    service.results({"rfv": 215})
    service.evaluate()
    sent = outgoing(service.message(), "")
    [picture] = [one for one in sent.attachments if one.content_type == "image/png"]
    assert picture.content.startswith(PNG)
    assert f'src="cid:{picture.content_id}"' in sent.html
    assert "RFV 215" in sent.html.partition('alt="')[2].partition('"')[0]
    [link] = service.rows(AccessLink)
    assert (link.role, link.farm_id, link.person_id) == ("farm", 1, 1)
    page = f"https://cutcall.example.org/farm/{link.id}."
    assert page in sent.html
    assert page in sent.text


def test_email_in_spanish_shows_its_chart_in_spanish(service: Service) -> None:
    service.enrol({"email": EMAIL, "alert_by": "email", "language": "es"})
    service.results({"rfv": 215})
    service.evaluate()
    html = service.message().html
    assert "Gráfica de Plum Bottom, North." in html
    assert "La página de su rancho" in html


def test_nothing_is_drawn_for_a_farm_told_by_text(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[object] = []
    monkeypatch.setattr(outlook_drawing, "draw", lambda *told: drawn.append(told))
    service.enrol({})
    service.results({"rfv": 215})
    service.evaluate()
    assert service.message().attachments == []
    assert drawn == []
    assert service.rows(AccessLink) == []


class WatchedSessions(Sessions):
    """Knows whether a session that writes is open, and lets something happen after a read."""

    def __init__(self, service: Service, after_read: Callable[[], object] = int) -> None:
        super().__init__(service.sessions.engine)
        self.writing = False
        self.after_read = after_read

    @contextmanager
    def write_beside(self) -> Iterator[Session]:
        with super().write_beside() as session:
            self.writing = True
            yield session
        self.writing = False

    @contextmanager
    def read(self) -> Iterator[Session]:
        with super().read() as session:
            yield session
        self.after_read()


def drawn_while_writing(
    service: Service, sessions: WatchedSessions, monkeypatch: pytest.MonkeyPatch
) -> list[bool]:
    """Look at the area once; for each chart drawn, whether the write lock was held."""
    held: list[bool] = []
    draw = outlook_drawing.draw

    def watched(*told: Any) -> bytes:
        held.append(sessions.writing)
        return draw(*told)

    monkeypatch.setattr(outlook_drawing, "draw", watched)
    evaluate_next(sessions, service.parts.evaluation_rules(), "evaluator", service.clock())
    return held


def test_chart_is_drawn_before_the_write_lock_is_taken(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    spanish = {"farm": "Stone Row", "language": "es", "farmer": "Bo", "email": "bo@example.org"}
    service.enrol(
        {"email": EMAIL, "alert_by": "both"}, {**spanish, "alert_by": "email", "phone": ""}
    )
    service.results({"rfv": 215}, {"farm": "Stone Row", "rfv": 190})
    held = drawn_while_writing(service, WatchedSessions(service), monkeypatch)
    assert held == [False, False]
    assert [m.channel for m in service.messages()] == ["sms", "email", "email"]
    assert all(m.attachments for m in service.messages() if m.channel == "email")


def test_chart_shows_what_came_between_drawing_and_deciding(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    service.enrol({"email": EMAIL, "alert_by": "email"})
    service.results({"rfv": 215})

    def newer() -> None:
        service.results({"rfv": 190, "sampled_on": day(1)})

    service.clock.set(day(1), time(12))
    held = drawn_while_writing(service, WatchedSessions(service, newer), monkeypatch)
    assert held == [False, True]
    html = service.message().html
    assert "RFV 190" in html.partition('alt="')[2].partition('"')[0]


def test_nothing_is_drawn_where_there_is_no_news(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    service.enrol({"email": EMAIL, "alert_by": "email"})
    service.results({"rfv": 180})
    service.evaluate()
    service.send()
    service.clock.set(day(1), time(6, 5))
    assert drawn_while_writing(service, WatchedSessions(service), monkeypatch) == []


def test_paused_farm_is_told_nothing_until_the_day_it_named(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 215})
    pause(service, until=3)
    for offset in range(3):
        service.morning(day(offset))
    assert service.messages() == []
    service.morning(day(3))
    assert [m.told_on for m in service.messages()] == [day(3)]


def test_pause_takes_back_what_still_waits(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 215})
    service.clock.set(MONDAY, time(21))
    service.evaluate()
    assert service.message().status == "queued"
    pause(service, until=5)
    service.clock.set(day(1), time(6, 5))
    service.evaluate()
    assert service.message().status == "cancelled"
    service.clock.set(day(1), time(7, 5))
    service.send()
    assert service.sms.texts == []


def test_silence_of_a_paused_farm_is_not_mentioned_either(service: Service) -> None:
    service.enrol({"watched": "yes"})
    service.results({"rfv": 230})
    service.morning(MONDAY)
    before = len(service.messages())
    pause(service, until=30)
    for offset in range(1, 12):
        service.morning(day(offset))
    assert len(service.messages()) == before


def test_outlook_goes_on_while_paused(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 215})
    pause(service, until=20)
    service.evaluate()
    start = service.line().farm_start_median
    assert start is not None
    assert start > MONDAY + timedelta(days=1)
