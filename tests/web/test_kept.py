"""A page that is kept shows what holds now, to whom it was made for."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from time import sleep
from zoneinfo import ZoneInfo, available_timezones

import httpx
import pytest
from advisers import EVA, PER, farm_id, page_of, person_id
from factories import MONDAY, Service, day
from sqlmodel import select

from alerts.services.access.links import Role, link_path, revoke_of_person
from alerts.store import jobs
from alerts.store.tables import Farm, Person
from alerts.web.kept import DAYS_BEGIN_S, Kept, Made

Ask = Callable[..., httpx.Response]

NOW = datetime(2027, 5, 10, 12, 0, 30, tzinfo=UTC)


class Marks:
    """A database whose mark a test sets, and whether its rows are the same still."""

    def __init__(self) -> None:
        self.mark, self.is_so, self.made, self.asked = "1", False, 0, 0

    def is_still_so(self) -> bool:
        self.asked += 1
        return self.is_so

    def make(self, until: datetime | None = None) -> Made[int]:
        self.made += 1
        return Made(self.made, self.is_still_so, until)


def kept_by(marks: Marks, most: int = 9) -> Kept[int]:
    return Kept(lambda: marks.mark, most)


def test_made_once_until_the_mark_changes() -> None:
    marks = Marks()
    kept = kept_by(marks)
    assert [kept.get("a", NOW, marks.make) for _ in range(3)] == [1, 1, 1]
    marks.mark = "2"
    assert kept.get("a", NOW, marks.make) == 2


def test_rows_are_asked_for_once_after_each_change() -> None:
    marks = Marks()
    kept = kept_by(marks)
    marks.is_so = True
    assert [kept.get("a", NOW, marks.make) for _ in range(3)] == [1, 1, 1]
    assert marks.asked == 0
    marks.mark = "2"
    assert [kept.get("a", NOW, marks.make) for _ in range(3)] == [1, 1, 1]
    assert marks.asked == 1


def test_made_anew_whenever_a_day_may_have_begun_and_by_a_clock_set_back() -> None:
    marks = Marks()
    kept = kept_by(marks)
    later = (0, 14 * 60 + 29, 14 * 60 + 30, 0)
    times = [NOW + timedelta(seconds=seconds) for seconds in later]
    assert [kept.get("a", at, marks.make) for at in times] == [1, 1, 2, 3]


def test_days_begin_in_every_zone_with_a_quarter_of_an_hour() -> None:
    # By the tz database: https://www.iana.org/time-zones
    odd = {
        name
        for name in available_timezones()
        for year in range(2024, 2037)
        for month in range(1, 13)
        if ZoneInfo(name).utcoffset(datetime(year, month, 1)) % timedelta(seconds=DAYS_BEGIN_S)
    }
    assert odd == set()


def test_nothing_is_given_after_its_link_has_ended() -> None:
    marks = Marks()
    kept = kept_by(marks)
    until = NOW + timedelta(seconds=10)
    given = [
        kept.get("a", NOW + timedelta(seconds=after), lambda: marks.make(until))
        for after in (0, 9, 10)
    ]
    assert given == [1, 1, 2]


def test_another_key_gets_another_and_the_oldest_goes() -> None:
    marks = Marks()
    kept = kept_by(marks, 2)
    assert [kept.get(key, NOW, marks.make) for key in ("a", "b", "a", "c", "a", "b")] == [
        *(1, 2, 1, 3, 1, 4)
    ]


def test_what_failed_is_not_kept_and_puts_nothing_out() -> None:
    marks = Marks()
    kept = kept_by(marks, 2)

    def fail() -> Made[int]:
        raise ValueError

    kept.get("a", NOW, marks.make)
    kept.get("b", NOW, marks.make)
    for key in ("c", "d", "e"):
        with pytest.raises(ValueError):
            kept.get(key, NOW, fail)
    assert [kept.get(key, NOW, marks.make) for key in ("a", "b")] == [1, 2]
    marks.mark = "2"
    with pytest.raises(ValueError):
        kept.get("a", NOW, fail)
    assert kept.get("a", NOW, marks.make) == 3


def test_change_while_it_is_made_is_not_missed() -> None:
    marks = Marks()
    kept = kept_by(marks)

    def slowly() -> Made[int]:
        marks.mark = "2"  # committed after our mark was taken
        return marks.make()

    assert kept.get("a", NOW, slowly) == 1
    assert kept.get("a", NOW, marks.make) == 2


def test_of_many_at_once_one_makes_it() -> None:
    marks = Marks()
    kept = kept_by(marks)
    got: list[int] = []

    def slowly() -> Made[int]:
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


# ------------------------------------------------------------------------- the pages


def farm_page_of(service: Service, name: str) -> str:
    """The path of a farm's own page."""
    with service.sessions.write() as session:
        found = session.exec(select(Farm).where(Farm.name == name)).one()
        return link_path(
            *(session, service.parts.link_rules(), Role.FARM),
            person_id=found.farmer_id,
            farm_id=found.id,
            now=service.clock(),
        )


def pages_of(service: Service) -> dict[str, str]:
    return {
        "farm": farm_page_of(service, "Alder End"),
        "table": page_of(service, Role.CONSULTANT, PER),
    }


@pytest.mark.parametrize("which", ["farm", "table"])
def test_page_shows_each_change_at_once(spring: Service, ask: Ask, which: str) -> None:
    page = pages_of(spring)[which]
    assert "Alder End" in ask("GET", page).text
    with spring.sessions.write() as session:
        found = session.exec(select(Farm).where(Farm.name == "Alder End")).one()
        found.name = "Alder Rise"
        session.add(found)
    assert "Alder Rise" in ask("GET", page).text


@pytest.mark.parametrize("which", ["farm", "table"])
def test_page_is_not_made_anew_for_what_it_does_not_show(
    spring: Service, ask: Ask, which: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = pages_of(spring)[which]
    before = ask("GET", page).text

    def fill(*args: object, **values: object) -> str:
        raise AssertionError("a page is filled anew")

    monkeypatch.setattr("alerts.web.pages.Pages.fill", fill)
    for number in range(3):
        with spring.sessions.write() as session:
            now = spring.clock()
            jobs.put_run(
                session, name="clock", started_at=now, ended_at=now, ok=True, detail=f"{number}"
            )
        assert ask("GET", page).text == before


def test_two_consultants_and_two_questions_never_mix(spring: Service, ask: Ask) -> None:
    pages = {who: page_of(spring, Role.CONSULTANT, who) for who in (PER, EVA)}
    for _ in range(2):
        assert "Wide Acre" not in ask("GET", pages[PER]).text
        assert "Alder End" not in ask("GET", pages[EVA]).text
        assert "Alder End" not in ask("GET", f"{pages[PER]}?q=plum").text
        assert "Saved." in ask("GET", f"{pages[PER]}?done=digest").text
        assert "Saved." not in ask("GET", pages[PER]).text


def test_two_farms_two_languages_and_two_notices_never_mix(spring: Service, ask: Ask) -> None:
    alder, wide = farm_page_of(spring, "Alder End"), farm_page_of(spring, "Wide Acre")
    for _ in range(2):
        assert "Wide Acre" not in ask("GET", alder).text
        assert "Alder End" not in ask("GET", wide).text
        assert '<html lang="es">' in ask("GET", f"{alder}?lang=es").text
        assert '<html lang="en">' in ask("GET", alder).text
        assert "Paused." in ask("GET", f"{alder}?done=paused").text
        assert "Messages go on." in ask("GET", f"{alder}?done=resumed").text
        assert 'role="status"' not in ask("GET", alder).text
        assert "Stop all messages" in ask("GET", alder).text
        assert ask("GET", f"{alder}/stop").text != ask("GET", f"{alder}/again").text


@pytest.mark.parametrize("which", ["farm", "table"])
def test_link_taken_back_shows_nothing_that_was_kept(spring: Service, ask: Ask, which: str) -> None:
    page = pages_of(spring)[which]
    assert ask("GET", page).status_code == 200
    with spring.sessions.write() as session:
        who = person_id(spring, PER)
        if which == "farm":
            found = session.get_one(Farm, farm_id(spring, "Alder End"))
            who = found.farmer_id
        revoke_of_person(session, who, spring.clock())
    answer = ask("GET", page)
    assert answer.status_code != 200
    assert "Alder End" not in answer.text


@pytest.mark.parametrize("which", ["farm", "table"])
def test_link_that_ends_shows_nothing_that_was_kept(spring: Service, ask: Ask, which: str) -> None:
    page = pages_of(spring)[which]
    lasts = spring.parts.link_rules().lasts
    spring.clock.now += lasts - timedelta(seconds=1)
    assert ask("GET", page).status_code == 200
    spring.clock.now += timedelta(seconds=1)
    answer = ask("GET", page)
    assert answer.status_code != 200
    assert "Alder End" not in answer.text


def test_farm_that_changed_hands_is_shown_to_its_former_farmer_no_more(
    spring: Service, ask: Ask
) -> None:
    page = farm_page_of(spring, "Alder End")
    assert ask("GET", page).status_code == 200
    with spring.sessions.write() as session:
        other = Person(name="Uma Holt", email="uma@example.org")
        session.add(other)
        session.flush()
        found = session.get_one(Farm, farm_id(spring, "Alder End"))
        assert other.id is not None
        found.farmer_id = other.id
        session.add(found)
    answer = ask("GET", page)
    assert answer.status_code != 200
    assert "Alder End" not in answer.text


@pytest.mark.parametrize("which", ["farm", "table"])
def test_day_that_passes_shows_on_the_page(spring: Service, ask: Ask, which: str) -> None:
    page = pages_of(spring)[which]
    shown = {
        "farm": (MONDAY.isoformat(), day(1).isoformat()),
        "table": ("Mon May 10", "Tue May 11"),
    }
    today, tomorrow = shown[which]
    assert today in ask("GET", page).text
    spring.later(days=1)
    assert tomorrow in ask("GET", page).text
