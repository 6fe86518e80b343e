"""A page that is kept shows what holds now, to whom it was made for."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from time import sleep

import httpx
import pytest
from advisers import EVA, PER, page_of, person_id
from factories import Service
from sqlmodel import select

from alerts.services.links import Role, revoke_of_person
from alerts.store.tables import Farm
from alerts.web.kept import Kept

Ask = Callable[..., httpx.Response]

NOW = datetime(2027, 5, 10, 12, 0, 30, tzinfo=UTC)


class Marks:
    """A database whose mark a test sets."""

    def __init__(self) -> None:
        self.mark, self.made = "1", 0

    def make(self) -> int:
        self.made += 1
        return self.made


def test_made_once_until_the_mark_changes() -> None:
    marks = Marks()
    kept: Kept[int] = Kept(lambda: marks.mark, 9)
    assert [kept.get("a", NOW, marks.make) for _ in range(3)] == [1, 1, 1]
    marks.mark = "2"
    assert kept.get("a", NOW, marks.make) == 2


def test_made_anew_when_a_minute_begins() -> None:
    marks = Marks()
    kept: Kept[int] = Kept(lambda: marks.mark, 9)
    times = [NOW, NOW + timedelta(seconds=29), NOW + timedelta(seconds=30)]
    assert [kept.get("a", at, marks.make) for at in times] == [1, 1, 2]


def test_another_key_gets_another_and_the_oldest_goes() -> None:
    marks = Marks()
    kept: Kept[int] = Kept(lambda: marks.mark, 2)
    assert [kept.get(key, NOW, marks.make) for key in ("a", "b", "a", "c", "a", "b")] == [
        *(1, 2, 1, 3, 1, 4)
    ]


def test_what_failed_is_not_kept() -> None:
    marks = Marks()
    kept: Kept[int] = Kept(lambda: marks.mark, 2)

    def fail() -> int:
        raise ValueError

    kept.get("a", NOW, marks.make)
    marks.mark = "2"
    with pytest.raises(ValueError):
        kept.get("a", NOW, fail)
    assert kept.get("a", NOW, marks.make) == 2


def test_change_while_it_is_made_is_not_missed() -> None:
    marks = Marks()
    kept: Kept[int] = Kept(lambda: marks.mark, 2)

    def slowly() -> int:
        marks.mark = "2"  # committed after our mark was taken
        return marks.make()

    assert kept.get("a", NOW, slowly) == 1
    assert kept.get("a", NOW, marks.make) == 2


def test_of_many_at_once_one_makes_it() -> None:
    marks = Marks()
    kept: Kept[int] = Kept(lambda: marks.mark, 2)
    got: list[int] = []

    def slowly() -> int:
        sleep(0.05)
        return marks.make()

    threads = [
        threading.Thread(target=lambda: got.append(kept.get("a", NOW, slowly))) for _ in range(8)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert got == [1] * 8


def test_table_shows_each_change_at_once(spring: Service, ask: Ask) -> None:
    page = page_of(spring, Role.CONSULTANT, PER)
    assert "Alder End" in ask("GET", page).text
    with spring.sessions.write() as session:
        found = session.exec(select(Farm).where(Farm.name == "Alder End")).one()
        found.name = "Alder Rise"
        session.add(found)
    assert "Alder Rise" in ask("GET", page).text


def test_two_consultants_and_two_questions_never_mix(spring: Service, ask: Ask) -> None:
    pages = {who: page_of(spring, Role.CONSULTANT, who) for who in (PER, EVA)}
    for _ in range(2):
        assert "Wide Acre" not in ask("GET", pages[PER]).text
        assert "Alder End" not in ask("GET", pages[EVA]).text
        assert "Alder End" not in ask("GET", f"{pages[PER]}?q=plum").text
        assert "Saved." in ask("GET", f"{pages[PER]}?done=digest").text
        assert "Saved." not in ask("GET", pages[PER]).text


def test_link_taken_back_shows_nothing_that_was_kept(spring: Service, ask: Ask) -> None:
    page = page_of(spring, Role.CONSULTANT, PER)
    assert ask("GET", page).status_code == 200
    with spring.sessions.write() as session:
        revoke_of_person(session, person_id(spring, PER), spring.clock())
    answer = ask("GET", page)
    assert answer.status_code != 200
    assert "Alder End" not in answer.text


def test_day_that_passes_shows_on_the_table(spring: Service, ask: Ask) -> None:
    page = page_of(spring, Role.CONSULTANT, PER)
    assert "Mon May 10" in ask("GET", page).text
    spring.later(days=1)
    assert "Tue May 11" in ask("GET", page).text
