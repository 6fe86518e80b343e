from __future__ import annotations

import ast
import json
import re
from collections.abc import Callable
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urlencode

import httpx
import pytest
from babel.messages.pofile import read_po
from factories import AREA, OTHER_PHONE, PHONE, Service

from alerts.messages.sign_up import consent_wording
from alerts.services.access.links import Role, link_path
from alerts.services.farms.farm_form import FARM_CONTROLS, FIELD_CONTROLS, control
from alerts.services.people.sign_up import confirm_by_text
from alerts.store.tables import Farm, SignUp
from alerts.web import form_words, signup
from alerts.web.language import LOCALE, translations
from alerts.web.pages import TEMPLATES

Ask = Callable[..., httpx.Response]

# Names, farms and addresses are invented.
TYPED = {
    "lang": "en",
    "farmer": "Ada Lindqvist",
    "phone": "202-555-0144",
    "farm": "Stone Row",
    "area": AREA,
    "field-1-field": "North",
    "animal_class": "milking_cows",
    "harvest_days": "5",
    "consent": "yes",
    "do": "send",
}
MOST_SECONDS = 120
SECONDS_A_KEY = 0.6
"""A slow thumb: phone keyboards are typed on at 30 to 40 words, about 3 keys a second (Palin and
others, 2019, How do people type on mobile devices?, from memory)."""
SECONDS_A_CONTROL = 5.0  # finding and tapping the next control: our judgement


class Page(HTMLParser):
    """The controls of a page, by id, with what is needed to judge how they are labelled."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.controls: dict[str, dict[str, str | None]] = {}
        self.labels: set[str] = set()
        self.ids: list[str] = []
        self.hrefs: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        self.attributes += [(tag, name) for name in values]
        if values.get("id"):
            self.ids.append(str(values["id"]))
        if tag == "label":
            self.labels.add(str(values.get("for")))
        if tag == "a":
            self.hrefs.append(str(values.get("href")))
        if tag in ("input", "select") and values.get("type") != "hidden":
            self.controls[str(values.get("id"))] = {"tag": tag, **values}


@pytest.fixture
def send(ask: Ask) -> Ask:
    """Send the form as a browser does, changed from a complete one."""

    def post(**changes: str | None) -> httpx.Response:
        given = {name.replace("__", "-"): text for name, text in changes.items()}
        body = {name: text for name, text in {**TYPED, **given}.items() if text is not None}
        headers = {"content-type": "application/x-www-form-urlencoded"}
        return ask("POST", "/signup", content=urlencode(body), headers=headers)

    return post


def value_of(text: str, name: str) -> str | None:
    found = Page(text).controls[name]
    return found.get("value")


# -------------------------------------------------------------------------- the empty form


def test_form_asks_for_few_things_before_a_farm_is_signed_up(ask: Ask) -> None:
    page = Page(ask("GET", "/signup").text)
    required = [name for name, control in page.controls.items() if "required" in control]
    assert required == [
        *("farmer", "phone", "farm", "area", "field-1-field", "animal_class", "harvest_days"),
        "consent",
    ]


def test_typical_sign_up_takes_less_than_two_minutes_of_typing() -> None:
    typed = ["Ada Lindqvist", "2025550143", "Plum Bottom", "North", "5"]
    keys = sum(map(len, typed))
    controls = len(typed) + 2 + 1 + 1  # and two lists, a box and the button
    assert keys == 40
    assert keys * SECONDS_A_KEY + controls * SECONDS_A_CONTROL < MOST_SECONDS


def test_consent_box_is_never_ticked_beforehand(ask: Ask, web_service: Service) -> None:
    text = ask("GET", "/signup").text
    assert "checked" not in Page(text).controls["consent"]
    assert consent_wording(web_service.parts.templates, "en") in unescape(text)


@pytest.mark.parametrize("path", ["/signup", "/signup?lang=es", "/link", "/link?lang=es"])
def test_every_control_has_its_label_and_no_id_stands_twice(ask: Ask, path: str) -> None:
    page = Page(ask("GET", path).text)
    assert set(page.controls) <= page.labels
    assert len(page.ids) == len(set(page.ids))


def test_controls_help_a_phone_to_fill_them_in(ask: Ask) -> None:
    controls = Page(ask("GET", "/signup").text).controls
    assert (controls["farmer"]["autocomplete"], controls["phone"]["autocomplete"]) == (
        "name",
        "tel",
    )
    assert (controls["phone"]["inputmode"], controls["phone"]["type"]) == ("tel", "tel")
    assert controls["field-1-zip"]["inputmode"] == "numeric"
    assert controls["field-1-acres"]["inputmode"] == controls["harvest_days"]["inputmode"]
    assert controls["harvest_days"]["inputmode"] == "decimal"


def test_page_holds_neither_inline_style_nor_script(ask: Ask, send: Ask) -> None:
    for answer in (ask("GET", "/signup"), send(farmer=""), ask("GET", "/link")):
        attributes = Page(answer.text).attributes
        assert not [name for _, name in attributes if name == "style" or name.startswith("on")]
        inline = re.findall(r"<script(?![^>]*src=)([^>]*)>", answer.text)
        assert set(inline) <= {' type="application/json" id="signup-data"'}
        assert "script-src 'self'" in answer.headers["content-security-policy"]


def test_only_area_is_chosen_already(ask: Ask, web_service: Service) -> None:
    assert f'<option value="{AREA}" selected>' in ask("GET", "/signup").text
    web_service.enrol({"area": "Otter Bend", "farm": "Third Farm"})
    assert f'<option value="{AREA}" selected>' not in ask("GET", "/signup").text


def test_nothing_private_of_those_enrolled_is_shown(ask: Ask) -> None:
    text = ask("GET", "/signup").text
    assert "Plum Bottom" not in text
    assert "Lindqvist" not in text


def test_spanish_is_chosen_by_link_or_browser(ask: Ask) -> None:
    for answer in (
        ask("GET", "/signup?lang=es"),
        ask("GET", "/signup", headers={"accept-language": "es-MX,en;q=0.5"}),
    ):
        assert '<html lang="es">' in answer.text
        assert "Su nombre" in answer.text
        assert '<option value="es" selected>' in answer.text  # the messages too
    assert "Your name" in ask("GET", "/signup", headers={"accept-language": "fr"}).text


def test_without_an_area_nobody_can_sign_up_and_is_told_so(ask: Ask, web_service: Service) -> None:
    with web_service.sessions.write() as session:
        for table in ("field", "consent", "farm", "person", "area"):
            session.connection().exec_driver_sql(f"DELETE FROM {table}")
    answer = ask("GET", "/signup")
    assert answer.status_code == 200
    assert "No area is open" in answer.text
    assert "<form" not in answer.text


# ------------------------------------------------------------------------------- sending


def test_complete_form_leads_to_the_page_after(ask: Ask, send: Ask, web_service: Service) -> None:
    answer = send()
    assert answer.status_code == 303
    assert answer.headers["location"] == "/signup/sent?by=text&lang=en"
    assert "Reply YES" in ask("GET", answer.headers["location"]).text
    assert web_service.message("confirm").to_address == OTHER_PHONE
    [kept] = web_service.rows(SignUp)
    assert "consent" not in kept.form
    assert "do" not in kept.form


def test_whole_way_from_the_form_to_the_farm_page_link(send: Ask, web_service: Service) -> None:
    send(**{"field-2-field": "Creek", "field-2-acres": "20"})
    with web_service.sessions.write() as session:
        rules = web_service.parts.sign_up_rules()
        confirm_by_text(session, rules, OTHER_PHONE, web_service.clock())
    assert [farm.name for farm in web_service.rows(Farm)] == ["Plum Bottom", "Stone Row"]
    assert "https://cutcall.example.org/farm/" in web_service.message("welcome").text


def test_errors_stand_beside_their_controls_and_on_top(send: Ask, web_service: Service) -> None:
    answer = send(phone="12", harvest_days="", consent=None)
    assert answer.status_code == 422
    page = Page(answer.text)
    for name in ("phone", "harvest_days", "consent"):
        assert page.controls[name]["aria-invalid"] == "true"
        described = str(page.controls[name]["aria-describedby"]).split()
        assert described[0] == f"error-{name}"
        assert set(described) <= set(page.ids)
        assert f"#{name}" in page.hrefs
    assert "aria-invalid" not in page.controls["farmer"]
    assert web_service.rows(SignUp) == []


BOXES = (control("watched", 1), "email_if_unreached")
"""Controls that are ticked, whose text nobody types."""


def test_nothing_typed_is_lost_whatever_is_wrong(send: Ask) -> None:
    typed = {
        control(column, 2): f"odd {column}" for column in FIELD_CONTROLS if column != "watched"
    } | {name: f"odd {name}" for name in FARM_CONTROLS if name not in BOXES}
    answer = send(**typed, **{"field-2-watched": "yes", "email_if_unreached": "yes"})
    page = Page(answer.text)
    for name, text in typed.items():
        if page.controls[name]["tag"] == "select":
            assert f'<option value="{text}" selected>' in answer.text
        else:
            assert page.controls[name]["value"] == text
    assert "checked" in page.controls["field-2-watched"]
    assert "checked" in page.controls["email_if_unreached"]
    assert "checked" in page.controls["consent"]


@pytest.mark.parametrize(
    "name", [*FARM_CONTROLS, *(control(column, 1) for column in FIELD_CONTROLS)]
)
@pytest.mark.parametrize(
    "text", ['"><script>alert(1)</script>', "</script><img src=x>", "{{ 7 * 7 }}", "'; DROP TABLE"]
)
def test_markup_in_any_control_comes_back_as_text(send: Ask, name: str, text: str) -> None:
    answer = send(**{"do": "work", name: text})
    assert answer.status_code == 200
    assert "<script>alert" not in answer.text
    assert "<img" not in answer.text
    if name not in BOXES:
        shown = [unescape(value) for value in re.findall(r'value="([^"]*)"', answer.text)]
        assert text in shown
    refused = send(**{"phone": "1", name: text})
    assert refused.status_code == 422
    assert "<script>alert" not in refused.text
    assert "<img" not in refused.text


def test_name_that_is_taken_is_said_beside_the_farm(send: Ask) -> None:
    answer = send(farm="PLUM BOTTOM")
    assert answer.status_code == 422
    assert "a farm of this name is signed up" in answer.text.casefold()
    assert PHONE not in answer.text


def test_too_many_sign_ups_are_told_plainly_and_keep_the_form(send: Ask) -> None:
    for number in range(3):
        assert send(farm=f"Farm {number}").status_code == 303
    answer = send(farm="Farm 4")
    assert answer.status_code == 429
    assert "several times already" in answer.text
    assert value_of(answer.text, "farm") == "Farm 4"


def errors_of(text: str) -> dict[str, str]:
    """The errors beside the controls, by control."""
    found = re.findall(r'class="error" id="error-([^"]*)">([^<]*)<', text)
    return {name: unescape(said) for name, said in found}


def test_spanish_errors_are_in_spanish(send: Ask) -> None:
    answer = send(lang="es", farmer="", phone="12", consent=None, **{"field-1-acres": "x"})
    errors = errors_of(answer.text)
    assert "Falta el nombre" in errors["farmer"]
    assert "diez dígitos con el código de área" in errors["phone"]
    assert "'x' no es un número" in errors["field-1-acres"]
    assert "marque la casilla" in errors["consent"]


RANGES = [
    ("feed_target", {"feed_target": "900"}, "70", "250 RFV"),
    ("feed_target", {"feed_target": "900", "index": "ndf"}, "25", "70 NDF"),
    ("handling_loss", {"handling_loss": "70"}, "0", "60"),
    ("harvest_days", {"harvest_days": "46"}, "0.25", "45"),
    ("acres_per_day", {"acres_per_day": "0"}, "0", "5000"),
    ("notice_days", {"notice_days": "31"}, "0", "30"),
    ("notice_days", {"notice_days": "2.5"}, "0", "30"),
    ("field-1-acres", {"field-1-acres": "20001"}, "0", "20000"),
    ("field-1-grass_pct", {"field-1-grass_pct": "101"}, "0", "100"),
    ("field-1-seeding_year", {"field-1-seeding_year": "24"}, "1950", "2100"),
    ("field-1-latitude", {"field-1-latitude": "91", "field-1-longitude": "-93"}, "-90", "90"),
]


@pytest.mark.parametrize(("name", "typed", "low", "high"), RANGES)
@pytest.mark.parametrize("lang", ["en", "es"])
def test_number_out_of_range_is_told_its_range_in_either_language(
    send: Ask, lang: str, name: str, typed: dict[str, str], low: str, high: str
) -> None:
    said = errors_of(send(lang=lang, **typed).text)[name]
    assert f"'{typed[name]}'" in said
    assert re.search(rf"(?<![\d.]){re.escape(low)} .*{re.escape(high)}", said)
    assert ("range" in said or "whole" in said) == (lang == "en")
    assert ("rango" in said or "entero" in said) == (lang == "es")


SLIPS: list[dict[str, str]] = [
    {"phone": "555-0143"},
    {"phone": "+447700900123"},
    {"phone": "=1"},
    {"email": "ada at example", "alert_by": "both"},
    {"email": "", "alert_by": "email"},
    {"farmer": "=A1", "farm": "-- --"},
    {"farm": "x" * 41, "field-1-field": "#REF!"},
    {"area": "Nowhere", "language": "klingon"},
    {"animal_class": "unicorns"},
    {"animal_class": "horses"},
    {"animal_class": "other"},
    {"index": "tdn", "harvest_method": "silo bags", "which_load": "first", "alert_by": "pigeon"},
    {"harvest_days": "soon", "handling_loss": "much"},
    {"harvest_days": "", "acres_per_day": "30"},
    {"send_from": "25:00"},
    {"send_from": "09:00", "send_to": "08:00"},
    {"field-1-zip": "1234567"},
    {"field-1-zip": "00000"},
    {"field-1-latitude": "44.2"},
    {"field-1-longitude": "-93.2"},
    {"field-1-latitude": "44.2", "field-1-longitude": "93.2"},
    {"field-1-seeding_year": "2099"},
    {"field-2-field": "NORTH"},
    {"field-2-acres": "12"},
    {"farm": "PLUM BOTTOM"},
    {"farm": "Visit www.example.org"},
]


@pytest.mark.parametrize("typed", SLIPS, ids=lambda typed: " ".join(typed))
def test_every_error_of_the_form_has_its_own_spanish(send: Ask, typed: dict[str, str]) -> None:
    """No English, and no stand-in that may say what is not so."""
    english = errors_of(send(**typed).text)
    spanish = errors_of(send(lang="es", **typed).text)
    assert english
    assert set(spanish) == set(english)
    for name, said in spanish.items():
        assert said != english[name]
        assert said not in {translations("es").gettext(one) for one in form_words.EXPECTED.values()}


def test_phone_is_asked_for_in_words_of_a_form(send: Ask) -> None:
    said = errors_of(send(phone="555 0143").text)["phone"]
    assert "ten digits with the area code, such as 202 555 0143" in said
    assert "column" not in said
    assert "format" not in said


def test_zip_code_far_away_can_be_said_to_be_right(send: Ask, web_service: Service) -> None:
    web_service.enrol({"area": "East", "farm": "B", "latitude": 44.1, "longitude": -103.2})
    far = {"area": "East", "field-1-zip": "82801"}
    asked = send(**far)
    assert asked.status_code == 422
    assert "more than 150 miles from the fields of East" in errors_of(asked.text)["field-1-zip"]
    box = Page(asked.text).controls["field-1-zip_right"]
    assert "checked" not in box
    ticked = {**far, "field-1-zip_right": str(box["value"])}
    kept = send(**ticked, farmer="")
    assert "checked" in Page(kept.text).controls["field-1-zip_right"]
    assert "field-1-zip" not in errors_of(kept.text)
    assert send(**ticked).status_code == 303


def test_box_for_a_far_zip_code_is_not_there_before_it_is_asked(ask: Ask, send: Ask) -> None:
    assert "zip_right" not in ask("GET", "/signup").text
    assert "zip_right" not in send(**{"field-1-zip": "82801", "farmer": ""}).text


def test_form_too_long_is_refused(send: Ask) -> None:
    assert send(farmer="x" * (signup.MOST_BYTES + 1)).status_code == 413


# --------------------------------------------------------------------- the other buttons


def test_field_is_added_without_losing_or_sending_anything(send: Ask, web_service: Service) -> None:
    answer = send(do="add", phone="12")
    page = Page(answer.text)
    assert answer.status_code == 200
    assert "autofocus" in page.controls["field-2-field"]
    assert len([1 for values in page.controls.values() if "autofocus" in values]) == 1
    assert page.controls["farmer"]["value"] == "Ada Lindqvist"
    assert "aria-invalid" not in page.controls["phone"]
    assert web_service.messages() == []


def test_field_is_taken_out(send: Ask) -> None:
    answer = send(do="remove-1", **{"field-2-field": "Creek"})
    page = Page(answer.text)
    assert page.controls["field-1-field"]["value"] == "Creek"
    assert "autofocus" in page.controls["field-1-field"]
    assert "field-2-field" not in page.controls


def test_language_is_switched_without_losing_anything(send: Ask) -> None:
    answer = send(do="lang-es", consent=None)
    assert '<html lang="es">' in answer.text
    assert value_of(answer.text, "farmer") == "Ada Lindqvist"


def test_enter_key_sends_the_form_and_nothing_else(ask: Ask) -> None:
    """Browsers press the first submit button of a form: WHATWG, HTML standard, implicit submission
    (from memory)."""
    buttons = re.findall(r'<button[^>]*name="do" value="([^"]*)"', ask("GET", "/signup").text)
    assert buttons[0] == buttons[-1] == "send"


def test_sum_is_worked_out_on_the_server(send: Ask) -> None:
    answer = send(do="work", farmer="", phone="")
    assert "Start near RFV 185" in answer.text
    assert "aria-invalid" not in answer.text
    assert "Empiece cerca de RFV 185" in send(do="work", lang="es").text
    assert "Choose the animals" in send(do="work", harvest_days="").text


def test_script_gets_its_numbers_as_json(ask: Ask, web_service: Service) -> None:
    text = ask("GET", "/signup").text
    found = re.search(
        r'<script type="application/json" id="signup-data">(.*?)</script>', text, re.S
    )
    assert found is not None
    assert json.loads(found[1])["feed"]["milking_cows.rfv"] == 150


def test_nearest_area_is_chosen_where_nobody_has_chosen(send: Ask, web_service: Service) -> None:
    web_service.enrol(
        {"area": "West", "farm": "A", "latitude": 44.8, "longitude": -107.0},
        {"area": "East", "farm": "B", "latitude": 44.1, "longitude": -103.2},
    )
    answer = send(area="", **{"field-1-zip": "82801"})
    assert answer.status_code == 422
    assert '<option value="West" selected>' in answer.text
    assert "nearest to your ZIP code" in answer.text
    kept = send(do="work", area="East", **{"field-1-zip": "82801"})
    assert '<option value="East" selected>' in kept.text


# ------------------------------------------------------------------------------- by email


def email_token(send: Ask, service: Service) -> str:
    send(phone="", email="ada@example.org", alert_by="email")
    found = re.search(r"/signup/confirm/(\S+)", service.message("confirm").text)
    assert found is not None
    return found[1]


def test_link_shows_a_button_and_only_the_button_signs_up(
    ask: Ask, send: Ask, web_service: Service
) -> None:
    path = f"/signup/confirm/{email_token(send, web_service)}"
    seen = ask("GET", path)
    assert seen.status_code == 200
    assert "Yes, I agree" in seen.text
    assert seen.headers["cache-control"] == "no-store"
    assert len(web_service.rows(Farm)) == 1
    done = ask("POST", path)
    assert "You are signed up" in done.text
    assert len(web_service.rows(Farm)) == 2
    assert "You are signed up" in ask("GET", path).text
    assert len(web_service.messages("welcome")) == 1


def test_link_that_expired_says_to_sign_up_again(ask: Ask, send: Ask, web_service: Service) -> None:
    path = f"/signup/confirm/{email_token(send, web_service)}"
    web_service.later(hours=49)
    answer = ask("POST", path)
    assert answer.status_code == 404
    assert "has expired" in answer.text
    assert 'href="/signup"' in answer.text


def test_name_taken_meanwhile_is_said_on_the_page(
    ask: Ask, send: Ask, web_service: Service
) -> None:
    path = f"/signup/confirm/{email_token(send, web_service)}"
    web_service.enrol({"farm": "Stone Row"})
    answer = ask("POST", path)
    assert answer.status_code == 409
    assert "of this name is signed up already" in answer.text


# ----------------------------------------------------------------------------- lost links


def lost(ask: Ask, address: str, lang: str = "en") -> httpx.Response:
    headers = {"content-type": "application/x-www-form-urlencoded"}
    body = urlencode({"address": address, "lang": lang})
    return ask("POST", "/link", content=body, headers=headers)


def test_lost_link_page_says_the_same_of_everybody(ask: Ask, web_service: Service) -> None:
    known = lost(ask, "202-555-0143")
    unknown = lost(ask, "202-555-0177")
    again = lost(ask, "202-555-0143")
    assert known.status_code == unknown.status_code == 200
    assert known.text == unknown.text == again.text
    assert [m.to_address for m in web_service.messages("new_link")] == [PHONE]


def test_lost_link_page_asks_again_for_what_it_cannot_read(ask: Ask) -> None:
    answer = lost(ask, '12"><b>')
    assert answer.status_code == 422
    control = Page(answer.text).controls["address"]
    assert (control["aria-invalid"], control["value"]) == ("true", '12"><b>')
    assert "Dé un teléfono" in lost(ask, "x", "es").text


# ------------------------------------------------------------------------ another address


def farm_path(service: Service, farm_id: int = 1) -> str:
    with service.sessions.write() as session:
        return link_path(
            session, service.parts.link_rules(), Role.FARM, farm_id=farm_id, now=service.clock()
        )


def new_address(
    ask: Ask, path: str, address: str, consent: str = "yes", **ticked: str
) -> httpx.Response:
    headers = {"content-type": "application/x-www-form-urlencoded"}
    body = urlencode({"address": address, "consent": consent, "lang": "en", **ticked})
    return ask("POST", f"{path}/address", content=body, headers=headers)


def test_farm_page_asks_another_phone_whether_it_agrees(ask: Ask, web_service: Service) -> None:
    path = farm_path(web_service)
    page = Page(ask("GET", f"{path}/address").text)
    assert set(page.controls) <= page.labels
    assert "checked" not in page.controls["consent"]
    answer = new_address(ask, path, "202-555-0144")
    assert answer.status_code == 303
    assert web_service.message("confirm").to_address == OTHER_PHONE


def test_email_for_lost_texts_only_is_asked_from_the_page(ask: Ask, web_service: Service) -> None:
    path = farm_path(web_service)
    wrong = new_address(ask, path, "ada@example.org", consent="", email_if_unreached="yes")
    assert "checked" in Page(wrong.text).controls["email_if_unreached"]
    assert new_address(ask, path, "ada@example.org", email_if_unreached="yes").status_code == 303
    [kept] = web_service.rows(SignUp)
    assert kept.form["email_if_unreached"] == "yes"


def test_box_of_the_form_is_kept_and_explained(ask: Ask, send: Ask, web_service: Service) -> None:
    assert "checked" not in Page(ask("GET", "/signup").text).controls["email_if_unreached"]
    answer = send(email_if_unreached="yes")
    assert answer.status_code == 422
    controls = Page(answer.text).controls
    assert "checked" in controls["email_if_unreached"]
    assert controls["email"]["aria-invalid"] == "true"
    assert send(email_if_unreached="yes", email="ada@example.org").status_code == 303


def test_wrong_address_or_no_consent_is_said_beside_it(ask: Ask, web_service: Service) -> None:
    path = farm_path(web_service)
    answer = new_address(ask, path, '"><script>', consent="")
    assert answer.status_code == 422
    controls = Page(answer.text).controls
    assert controls["address"]["value"] == '"><script>'
    assert controls["address"]["aria-invalid"] == "true"
    answer = new_address(ask, path, "202-555-0144", consent="")
    assert Page(answer.text).controls["consent"]["aria-invalid"] == "true"
    assert web_service.messages() == []


def test_address_page_opens_only_by_a_farm_link(ask: Ask, web_service: Service) -> None:
    path = farm_path(web_service)
    assert ask("GET", f"{path}x/address").status_code == 404
    assert new_address(ask, f"{path}x", "202-555-0144").status_code == 404
    assert web_service.messages() == []


# ------------------------------------------------------------------------------- Spanish


def sentences() -> set[str]:
    """English sentences of the sign-up pages: of the templates, the choices and the errors."""
    names = ("signup*.html", "_farm_fields.html", "lost_link.html", "farm_address.html")
    found = set()
    for path in (path for name in names for path in TEMPLATES.glob(name)):
        found |= set(re.findall(r"_\('((?:[^'\\]|\\.)*)'", path.read_text(encoding="utf-8")))
    for node in ast.walk(ast.parse(Path(signup.__file__).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "say":
            found |= {a.value for a in node.args if isinstance(a, ast.Constant)}
    return found | {
        *form_words.ANIMALS.values(),
        *form_words.EXPECTED.values(),
        *(words for _, words in form_words.SENTENCES),
        *form_words.UNITS,
        form_words.POINTS_OF,
        form_words.ANYTHING,
    }


def test_every_sentence_of_the_pages_has_its_spanish() -> None:
    known: dict[str, str] = {}
    for path in (LOCALE / "es").glob("*.po"):
        with path.open("rb") as source:
            known |= {str(m.id): str(m.string) for m in read_po(source) if m.id}
    assert len(sentences()) > 100
    assert [text for text in sorted(sentences()) if not known.get(text)] == []
    for english, spanish in known.items():
        assert values_in(english) == values_in(spanish)


def values_in(sentence: str) -> list[str]:
    return sorted(re.findall(r"%\(\w+\)s", sentence))


@pytest.mark.parametrize(
    ("charset", "said"),
    [("punycode", b"x-9999"), ("idna", b"xn--zz--0"), ("raw_unicode_escape", b"\\ud800")],
)
def test_form_in_an_encoding_of_another_kind_is_refused_in_words(
    ask: Ask, charset: str, said: bytes
) -> None:
    part = b'--xx\r\nContent-Disposition: form-data; name="farm"\r\n\r\n'
    kind = f"multipart/form-data; boundary=xx; charset={charset}"
    content = part + said + b"\r\n--xx--\r\n"
    answer = ask("POST", "/signup", content=content, headers={"content-type": kind})
    assert answer.status_code == 400
    assert "send it as UTF-8" in answer.text


def test_nul_in_a_form_is_left_out(ask: Ask) -> None:
    """PostgreSQL keeps none (its documentation, section 8.3, from memory)."""
    answer = ask("POST", "/signup", data={**TYPED, "farm": "Stone\x00 Row", "do": "add"})
    assert answer.status_code == 200
    assert 'value="Stone Row"' in answer.text


def test_form_without_a_place_for_files_takes_none(ask: Ask) -> None:
    answer = ask("POST", "/signup", data=TYPED, files={"roster": ("a.csv", b"x")})
    assert answer.status_code == 400
