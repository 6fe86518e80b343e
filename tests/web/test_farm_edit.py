"""Changing a farm on its page, as a browser does it."""

from __future__ import annotations

import re
from html import unescape

import httpx
import pytest
from factories import Service

from alerts.services.access.links import Role, link_path
from alerts.store.tables import Farm, FarmField, Person

LISTS = ("id", "open")


class Editor:
    """A browser that sends the form as it was filled in, with some changes."""

    def __init__(self, service: Service, ask: object) -> None:
        self.service, self.ask = service, ask
        with service.sessions.write() as session:
            self.path = link_path(
                session,
                service.parts.link_rules(),
                Role.FARM,
                person_id=1,
                farm_id=1,
                now=service.clock(),
            )

    def get(self, query: str = "") -> str:
        return self.ask("GET", f"{self.path}/edit{query}").text  # type: ignore[operator, no-any-return]

    def filled_in(self, query: str = "", text: str = "") -> dict[str, object]:
        """Every control's value, as a browser would send it; of the page ``text``, if given."""
        text = text or self.get(query)
        form: dict[str, object] = {}
        for tag in re.findall(r"<input[^>]*>", text):
            name, value = (re.search(rf' {one}="([^"]*)"', tag) for one in ("name", "value"))
            if (
                name
                and (' type="checkbox"' not in tag or " checked" in tag)
                and name[1] not in LISTS
            ):
                form[name[1]] = unescape(value[1]) if value else "on"
        for name, options in re.findall(r'<select id="([^"]+)".*?>(.*?)</select>', text, re.S):
            chosen = re.search(r'value="([^"]*)" selected', options)
            form[name] = chosen[1] if chosen else ""
        for name in LISTS:
            form[name] = re.findall(rf'name="{name}" value="(\d+)"', text)
        return form

    def post(self, query: str = "", page: str = "", **changes: object) -> httpx.Response:
        named = {name.replace("__", "-"): value for name, value in changes.items()}
        form = {**self.filled_in(query, page), **named}
        return self.ask("POST", f"{self.path}/edit{query}", data=form)  # type: ignore[operator, no-any-return]


@pytest.fixture
def editor(web_service: Service, ask: object) -> Editor:
    web_service.enrol({"acres": "30", "soil": "loam"}, {"field": "South <2>", "acres": "10"})
    return Editor(web_service, ask)


def farm(service: Service) -> Farm:
    with service.sessions.read() as session:
        return session.get_one(Farm, 1)


def test_form_sent_as_it_was_filled_in_changes_nothing(editor: Editor) -> None:
    before = [row.model_dump() for row in editor.service.rows(FarmField)]
    plan = farm(editor.service).model_dump()
    answer = editor.post()
    assert answer.status_code == 303
    assert answer.headers["location"] == f"{editor.path}?done=edited"
    assert [row.model_dump() for row in editor.service.rows(FarmField)] == before
    assert farm(editor.service).model_dump() == plan


def test_changes_are_saved(editor: Editor) -> None:
    editor.post(feed_target="150", harvest_days="", acres_per_day="20", field__2__acres="50")
    plan = farm(editor.service)
    assert (plan.feed_target, plan.harvest_days) == (150.0, 4.0)  # 80 acres at 20 a day


def test_what_is_wrong_is_said_beside_its_control_and_nothing_typed_is_lost(
    editor: Editor,
) -> None:
    answer = editor.post(feed_target="900", field__2__acres="many", notice_days="6")
    assert answer.status_code == 422
    assert 'id="error-feed_target"' in answer.text
    assert 'id="error-field-2-acres"' in answer.text
    assert '<a href="#field-2-acres">' in answer.text
    for typed in ("900", "many", "6"):
        assert f'value="{typed}"' in answer.text
    assert farm(editor.service).feed_target == 160.0


def test_form_is_in_the_pages_language(editor: Editor) -> None:
    text = editor.get("?lang=es")
    assert '<html lang="es">' in text
    assert "Volver sin guardar" in text
    answer = editor.post("?lang=es", feed_target="900")
    assert "900&#39; está fuera de rango; dé de 70 a 250 RFV." in answer.text
    assert editor.post("?lang=es").headers["location"] == f"{editor.path}?lang=es&done=edited"


def test_form_asks_for_no_phone_and_no_email_and_says_where(editor: Editor) -> None:
    text = editor.get()
    assert 'name="phone"' not in text
    assert 'name="email"' not in text
    assert f'<a href="{editor.path}/address">Another phone or email</a>' in text
    spanish = editor.get("?lang=es")
    assert f'<a href="{editor.path}/address?lang=es">Otro teléfono o correo</a>' in spanish


def test_form_whose_fields_changed_meanwhile_is_refused(editor: Editor) -> None:
    answer = editor.post(open=["1"], field__1__acres="99")
    assert answer.status_code == 422
    assert "The farm&#39;s fields have changed meanwhile" in answer.text
    assert [row.acres for row in editor.service.rows(FarmField)] == [30.0, 10.0]


def test_numbers_of_fields_that_are_none_are_refused(editor: Editor) -> None:
    assert editor.post(id=["x"]).status_code in (400, 422)


def fields(service: Service) -> list[tuple[str, float | None, bool]]:
    return [(row.name, row.acres, row.closed_on is None) for row in service.rows(FarmField)]


STANDING = [("North", 30.0, True), ("South <2>", 10.0, True)]


def test_field_is_added_and_what_was_typed_stays(editor: Editor) -> None:
    page = editor.post(do="add", feed_target="151", field__2__acres="many")
    assert page.status_code == 200
    assert "Nothing is saved yet" in page.text
    [led_to] = re.findall(r"<input[^>]* autofocus[^>]*>", page.text)
    assert 'id="field-3-field"' in led_to
    for typed in ("151", "many", "South &lt;2&gt;"):
        assert f'value="{typed}"' in page.text
    assert fields(editor.service) == STANDING
    answer = editor.post(
        page=page.text, do="save", field__2__acres="11", field__3__field="West", field__3__acres="5"
    )
    assert answer.status_code == 303
    assert fields(editor.service) == [STANDING[0], ("South <2>", 11.0, True), ("West", 5.0, True)]
    assert farm(editor.service).feed_target == 151.0


def test_enter_key_saves(editor: Editor) -> None:
    buttons = re.findall(r'<button[^>]* name="do" value="([^"]+)"', editor.get())
    assert buttons == ["save", "remove-1", "remove-2", "add", "save"]


def test_field_is_taken_out_and_opened_again(editor: Editor) -> None:
    page = editor.post(do="remove-1", field__2__acres="11").text
    assert "once you save" in page
    assert fields(editor.service) == STANDING
    assert editor.post(page=page, do="save").status_code == 303
    assert fields(editor.service) == [("North", 30.0, False), ("South <2>", 11.0, True)]
    listed = editor.get()
    assert re.search(r"<strong>North</strong>, since .*\d", listed)
    page = editor.post(page=listed, do="open-1", harvest_days="3").text
    assert 'value="North"' in page
    assert editor.post(page=page, do="save").status_code == 303
    assert fields(editor.service) == [STANDING[0], ("South <2>", 11.0, True)]
    assert farm(editor.service).harvest_days == 3.0


def test_new_field_with_the_name_of_another_is_an_error_beside_it(editor: Editor) -> None:
    page = editor.post("?lang=es", do="add").text
    answer = editor.post("?lang=es", page=page, do="save", field__3__field="north")
    assert answer.status_code == 422
    beside = re.search(r'id="error-field-3-field">([^<]+)<', answer.text)
    assert beside is not None
    assert beside[1].startswith("Otro lote del rancho lleva ese nombre")
    assert fields(editor.service) == STANDING


def test_field_of_another_farm_cannot_be_opened(editor: Editor) -> None:
    editor.service.enrol({"farm": "Stone Row", "field": "Zephyrpatch"})
    answer = editor.post(do="open-3")
    assert (answer.status_code, "Zephyrpatch" in answer.text) == (404, False)
    assert editor.post(do="open-x").status_code == 400
    assert editor.post(do="remove-9").status_code == 200
    assert len(fields(editor.service)) == 3


def test_box_of_emails_instead_of_lost_texts_is_ticked_and_unticked(
    web_service: Service, ask: object
) -> None:
    web_service.enrol({"email": "ada@example.org", "email_if_unreached": "yes"})
    editor = Editor(web_service, ask)
    form = editor.filled_in()
    assert form["email_if_unreached"] == "yes"
    assert editor.post().status_code == 303
    assert web_service.rows(Person)[0].email_if_unreached
    without = {name: value for name, value in form.items() if name != "email_if_unreached"}
    answer = ask("POST", f"{editor.path}/edit", data=without)  # type: ignore[operator]
    assert answer.status_code == 303
    assert not web_service.rows(Person)[0].email_if_unreached


def test_box_without_a_confirmed_email_says_so_beside_it(editor: Editor) -> None:
    answer = editor.post(email_if_unreached="yes")
    assert answer.status_code == 422
    assert '<a href="#email_if_unreached">Your email has not been confirmed yet' in answer.text
    spanish = editor.post("?lang=es", email_if_unreached="yes").text
    assert "Su correo aún no está confirmado" in spanish
