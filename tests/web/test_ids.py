"""Numbers that no row can bear lead nowhere, and break nothing."""

from __future__ import annotations

from collections.abc import Callable

import httpx
import pytest
from advisers import PER, page_of, person_id
from factories import Service

from alerts.services.access.links import Role, link_path
from alerts.services.access.scope import NotYours
from alerts.web.ids import LARGEST_ID, id_of

Ask = Callable[..., httpx.Response]
ODD = ["9" * 25, "9" * 5000, str(LARGEST_ID + 1), "0", "-1", "1.5", "one", "\u0661"]


@pytest.mark.parametrize("text", [*ODD, ""])
def test_what_no_row_bears_is_nobodys(text: str) -> None:
    with pytest.raises(NotYours, match="no such field"):
        id_of(text, "field")


def test_largest_number_is_one() -> None:
    assert (id_of("1", "field"), id_of(str(LARGEST_ID), "field")) == (1, LARGEST_ID)


@pytest.mark.parametrize("odd", ODD)
def test_pages_answer_404(spring: Service, ask: Ask, odd: str) -> None:
    consultant = page_of(spring, Role.CONSULTANT, PER)
    rules, now = spring.parts.link_rules(), spring.clock()
    with spring.sessions.write() as session:
        farm = link_path(session, rules, Role.FARM, farm_id=1, now=now)
        operator = link_path(session, rules, Role.OPERATOR, now=now)
    for path in (
        f"{consultant}/farm/{odd}",
        f"{consultant}/farm/1/chart/{odd}.svg",
        f"{farm}/chart/{odd}.svg",
        f"{operator}/message/{odd}",
    ):
        assert ask("GET", path).status_code == 404, path


@pytest.mark.parametrize("odd", ["9" * 25, "9" * 5000])
def test_posted_numbers_break_nothing(spring: Service, ask: Ask, odd: str) -> None:
    rules, now = spring.parts.link_rules(), spring.clock()
    with spring.sessions.write() as session:
        farm = link_path(session, rules, Role.FARM, farm_id=1, now=now)
        operator = link_path(session, rules, Role.OPERATOR, now=now)
        sampler = link_path(
            session,
            rules,
            Role.SAMPLER,
            person_id=person_id(spring, "jo@example.org"),
            now=now,
        )
    for path, form in (
        (f"{farm}/undo", {"field": odd}),
        (f"{farm}/started", {"field": odd, "on": "2027-05-10"}),
        (f"{operator}/retry", {"message": odd}),
        (f"{operator}/settle", {"document": odd}),
        (f"{sampler}/assign", {"field": odd}),
        (f"{sampler}/clip", {"field": odd}),
    ):
        assert 400 <= ask("POST", path, data=form).status_code < 500, path


def test_zip_in_other_digits_is_an_error_of_the_form(web_service: Service, ask: Ask) -> None:
    for code in ("\u0668\u0662\u0668\u0660\u0661", "\uff18\uff12\uff18\uff10\uff11"):
        answer = ask("POST", "/signup", data={"field-1-zip": code, "do": "send"})
        assert answer.status_code == 422
