"""The farm's page as a browser gets it."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import httpx
import pytest
from factories import MONDAY, OTHER_PHONE, PHONE, Service, day

from alerts.services.access.links import Role, link_path, revoke
from alerts.store.tables import Consent, Cut, Farm, OptOut


class Browser:
    """Somebody who holds the link of a farm."""

    def __init__(self, service: Service, ask: object, farm_id: int = 1, person_id: int = 1) -> None:
        self.service, self.ask = service, ask
        with service.sessions.write() as session:
            self.path = link_path(
                session,
                service.parts.link_rules(),
                Role.FARM,
                person_id=person_id,
                farm_id=farm_id,
                now=service.clock(),
            )

    def get(self, rest: str = "", **headers: str) -> httpx.Response:
        given = {name.replace("_", "-"): value for name, value in headers.items()}
        return self.ask("GET", f"{self.path}{rest}", headers=given)  # type: ignore[operator, no-any-return]

    def post(self, rest: str, **form: object) -> httpx.Response:
        return self.ask("POST", f"{self.path}{rest}", data=form)  # type: ignore[operator, no-any-return]

    def chart_path(self, form: str = "svg") -> str:
        """The address of the first chart, as the page gives it."""
        found = re.search(r"/chart/\d+\.svg\?v=\w+", self.get().text)
        assert found is not None
        return found[0].replace(".svg", f".{form}")


@pytest.fixture
def browser(web_service: Service, ask: object) -> Browser:
    web_service.enrol({"field": "North"}, {"field": "South & <b>"})
    web_service.enrol({"farm": "Quarry Lane", "farmer": "Bo Ek", "phone": OTHER_PHONE})
    web_service.results({"rfv": 208}, {"field": "South & <b>", "rfv": 221})
    web_service.evaluate()
    web_service.send()
    return Browser(web_service, ask)


def test_page_tells_the_date_the_sum_and_what_was_said(browser: Browser) -> None:
    page = browser.get()
    assert page.status_code == 200
    [start] = {r.farm_start_median for r in browser.service.lines() if r.farm == "Plum Bottom"}
    assert start is not None
    assert f'<p class="date">{start:%a %b} {start.day}</p>' in page.text
    assert "You want RFV 160 in storage" in page.text
    assert "May 10, text to +12025550143: start about" in page.text
    assert "South &amp; &lt;b&gt;" in page.text
    assert "<b>" not in page.text


def test_row_of_the_start_date_is_told_in_words_too(browser: Browser) -> None:
    [start] = {r.farm_start_median for r in browser.service.lines() if r.farm == "Plum Bottom"}
    assert start is not None
    marked = f'{start:%a %b} {start.day}<br><span class="small">%s</span></th>'
    assert marked % "start date" in browser.get().text
    assert "fecha de inicio" in browser.get("?lang=es").text


def test_page_warns_where_work_can_hurt_somebody(browser: Browser) -> None:
    page = browser.get().text
    assert '<h2 id="care-title">Before you cut</h2>' in page
    assert "Power off and key out before clearing a mower or conditioner" in page
    assert "at 175 F call the fire service" not in page  # nobody bales haylage dry
    browser.service.enrol({"field": "North", "harvest_method": "dry_hay"})
    assert "at 175 F call the fire service and do not open the stack" in browser.get().text
    assert "a 175 F (79 C) llame a los bomberos" in browser.get("?lang=es").text


def test_page_without_a_date_warns_of_nothing(web_service: Service, ask: object) -> None:
    web_service.enrol({"field": "North"})
    assert "Before you cut" not in Browser(web_service, ask).get().text


def test_page_is_kept_by_nobody_and_runs_nothing(browser: Browser) -> None:
    page = browser.get()
    assert page.headers["cache-control"] == "no-store"
    assert page.headers["referrer-policy"] == "no-referrer"
    assert " style=" not in page.text
    scripts = re.findall(r"<script[^>]*>.*?</script>", page.text, re.S)
    assert scripts == ['<script src="/static/focus.js" defer></script>']
    assert " onclick" not in page.text


def test_every_control_has_a_label(browser: Browser) -> None:
    text = browser.get().text
    ids = re.findall(r'<(?:input|select)(?![^>]*type="hidden")[^>]*\bid="([^"]+)"', text)
    assert len(ids) == 5  # two fields, the day; how long to pause, twice
    assert all(f'<label for="{name}">' in text for name in ids)


def test_page_shows_nothing_of_the_neighbour(browser: Browser) -> None:
    text = browser.get().text
    assert "Quarry" not in text
    assert OTHER_PHONE not in text


def test_link_of_who_does_not_farm_here_opens_no_page(browser: Browser) -> None:
    other = Browser(browser.service, browser.ask, person_id=2)
    assert other.get().status_code == 404
    assert "…43" not in other.get().text


def test_page_speaks_spanish_when_asked_or_when_the_farmer_does(
    browser: Browser, web_service: Service
) -> None:
    page = browser.get("?lang=es")
    assert '<html lang="es">' in page.text
    for said in ("Ya empezamos", "Usted quiere RFV 160", "lo que da esperar", "Poner los mensajes"):
        assert said in page.text
    assert f'action="{browser.path}/started?lang=es"' in page.text
    web_service.enrol(
        {"farm": "Rancho Peña", "farmer": "Inés Peña", "phone": "+12025550148", "language": "es"}
    )
    spanish = Browser(web_service, browser.ask, farm_id=3, person_id=3)
    assert "Aún sin fecha" in spanish.get().text
    assert "No date yet" in spanish.get("?lang=en").text


def test_spanish_page_leaves_no_english_sentence(browser: Browser) -> None:
    text = re.sub(r"<details><summary>Lo que decía.*?</details>", "", browser.get("?lang=es").text)
    for english in (" the ", " you ", "Start ", "Messages", " of ", "Field"):
        assert english not in text


def test_link_that_was_revoked_leads_nowhere(browser: Browser) -> None:
    with browser.service.sessions.write() as session:
        revoke(session, int(browser.path.split("/")[2].split(".")[0]), browser.service.clock())
    assert browser.get().status_code == 404
    assert browser.get("/chart/1.svg").status_code == 404
    assert browser.post("/started", field="1", on=MONDAY.isoformat()).status_code == 404
    assert browser.post("/stop").status_code == 404
    assert browser.get("/edit").status_code == 404
    assert browser.service.rows(Cut) == []


# -------------------------------------------------------------------------- charts


def test_chart_is_a_picture_the_browser_may_keep(browser: Browser) -> None:
    chart = browser.get(browser.chart_path())
    assert chart.status_code == 200
    assert chart.headers["content-type"] == "image/svg+xml"
    assert chart.headers["cache-control"] == "private, max-age=604800, immutable"
    assert "script-src" not in chart.headers["content-security-policy"]
    ElementTree.fromstring(chart.content)


def test_chart_that_did_not_change_is_not_sent_again(browser: Browser) -> None:
    chart = browser.get("/chart/1.svg")
    assert chart.headers["cache-control"] == "private, no-cache"
    again = browser.get("/chart/1.svg", if_none_match=chart.headers["etag"])
    assert (again.status_code, again.content) == (304, b"")
    browser.service.results({"field": "North", "rfv": 201, "sampled_on": day(-1).isoformat()})
    browser.service.evaluate()
    assert browser.get("/chart/1.svg", if_none_match=chart.headers["etag"]).status_code == 200


def test_chart_is_there_as_png_too(browser: Browser) -> None:
    chart = browser.get(browser.chart_path("png"))
    assert chart.headers["content-type"] == "image/png"
    assert chart.content.startswith(b"\x89PNG\r\n\x1a\n")


def test_chart_is_told_in_words_and_in_the_pages_language(browser: Browser) -> None:
    assert 'alt="Chart of Plum Bottom, North. 1 result of its own.' in browser.get().text
    spanish = browser.get("?lang=es")
    assert 'alt="Gráfica de Plum Bottom, North.' in spanish.text
    [address, *_] = re.findall(r'src="([^"]+svg[^"]+)"', spanish.text)
    query = address.partition("/chart/")[2].replace("&amp;", "&")
    assert "debe estar en 185 al cortar" in browser.get(f"/chart/{query}").text


@pytest.mark.parametrize(
    "name", ["3.svg", "99.svg", "1.gif", "1", "x.svg", "-1.svg", "1.svg.exe", "٣.svg"]
)
def test_chart_of_a_field_that_is_not_the_farms_does_not_exist(browser: Browser, name: str) -> None:
    assert browser.get(f"/chart/{name}").status_code == 404


# --------------------------------------------------------------------- we started


def test_start_is_recorded_and_said(browser: Browser) -> None:
    answer = browser.post("/started", field=["1", "2"], on=MONDAY.isoformat())
    assert answer.status_code == 303
    assert answer.headers["location"] == f"{browser.path}?done=started"
    assert [(cut.field_id, cut.cut_on) for cut in browser.service.rows(Cut)] == [
        (1, MONDAY),
        (2, MONDAY),
    ]
    page = browser.get("?done=started").text
    assert "Recorded." in page
    assert "Cut this season" in page


def test_wrong_start_is_undone(browser: Browser) -> None:
    browser.post("/started", field="1", on=MONDAY.isoformat())
    answer = browser.post("/undo", field="1")
    assert answer.headers["location"].endswith("?done=undone")
    assert browser.service.rows(Cut) == []
    assert browser.post("/undo", field="1").status_code == 400


@pytest.mark.parametrize(
    ("form", "control", "said"),
    [
        ({"on": "2027-05-10"}, "field", "No field is chosen"),
        ({"field": "1", "on": ""}, "on", "The day is missing"),
        ({"field": "1", "on": "2027-05-11"}, "on", "That day has not come yet"),
        ({"field": "1", "on": "2026-05-11"}, "on", "That day lies before this season"),
        ({"field": "1", "on": "yesterday"}, "on", "That is no day"),
        ({"field": "one", "on": "2027-05-10"}, "field", "That is no whole number"),
    ],
)
def test_start_that_cannot_be_is_said_beside_its_control(
    browser: Browser, form: dict[str, str], control: str, said: str
) -> None:
    answer = browser.post("/started", **form)
    assert answer.status_code == 422
    assert f'<p class="error" id="{control}-error">{said}' in answer.text
    assert browser.service.rows(Cut) == []
    if form.get("field") == "1":
        assert re.search(r'value="1" id="cut1" checked', answer.text)
        assert f'name="on" value="{form["on"]}"' in answer.text


def test_error_is_said_in_spanish_too(browser: Browser) -> None:
    answer = browser.post("/started?lang=es", on="2027-05-10")
    assert "No eligió ningún lote; elija los que cortó." in answer.text
    browser.post("/started", field="2", on="2027-05-10")
    again = browser.post("/started?lang=es", field="2", on="2027-05-10")
    assert "South &amp; &lt;b&gt; ya se cortó el 2027-05-10" in again.text


def test_field_of_a_neighbour_cannot_be_cut(browser: Browser) -> None:
    assert browser.post("/started", field="3", on=MONDAY.isoformat()).status_code == 404
    assert browser.post("/undo", field="3").status_code == 404
    assert browser.service.rows(Cut) == []


# ------------------------------------------------------------- pause, stop, again


def test_pause_and_resume(browser: Browser) -> None:
    assert browser.post("/pause", days="5", until="").status_code == 303
    page = browser.get().text
    assert "Paused until Sat May 15." in page
    assert f'action="{browser.path}/pause"' not in page
    assert browser.post("/resume").status_code == 303
    assert "Paused until" not in browser.get().text


@pytest.mark.parametrize(
    ("form", "control"),
    [
        ({}, "days"),
        ({"days": "0"}, "days"),
        ({"days": "a few"}, "days"),
        ({"until": "2027-05-10"}, "until"),
        ({"until": "2031-01-01"}, "until"),
    ],
)
def test_pause_that_cannot_be_is_said_beside_its_control(
    browser: Browser, form: dict[str, str], control: str
) -> None:
    answer = browser.post("/pause", **form)
    assert answer.status_code == 422
    assert f'id="{control}-error"' in answer.text
    assert all(f'value="{text}"' in answer.text for text in form.values())
    with browser.service.sessions.read() as session:
        assert session.get_one(Farm, 1).paused_until is None


def test_stop_is_asked_before_it_is_done(browser: Browser) -> None:
    asked = browser.get("/stop")
    assert asked.status_code == 200
    assert PHONE in asked.text
    assert browser.service.rows(OptOut) == []
    assert browser.post("/stop").headers["location"].endswith("?done=stopped")
    assert [row.address for row in browser.service.rows(OptOut)] == [PHONE]
    assert "Your messages are stopped." in browser.get().text


def test_start_again_keeps_the_words_that_were_shown(browser: Browser) -> None:
    browser.post("/stop")
    asked = browser.get("/again")
    assert "Msg &amp; data rates may apply" in asked.text
    browser.service.later(minutes=5)
    assert browser.post("/again", language="en").headers["location"].endswith("?done=again")
    *_, kept = browser.service.rows(Consent)
    assert "Msg & data rates may apply" in kept.wording
    assert kept.ip == "127.0.0.1"
    assert "Your messages are stopped." not in browser.get().text


@pytest.mark.parametrize("rest", ["/started", "/undo", "/pause", "/resume", "/stop", "/again"])
def test_nothing_is_done_by_following_a_link(browser: Browser, rest: str) -> None:
    """Link scanners follow links: whatever changes something is a form that is sent."""
    browser.get(rest)
    assert browser.service.rows(Cut) == browser.service.rows(OptOut) == []
    with browser.service.sessions.read() as session:
        assert session.get_one(Farm, 1).paused_until is None


def test_way_back_to_the_page_is_all_that_an_answer_can_lead_to(browser: Browser) -> None:
    answer = browser.post("/resume?lang=es&next=https://evil.example&done=x")
    location = answer.headers["location"]
    assert location.startswith(f"{browser.path}?")
    assert "evil" not in location


def test_page_says_where_a_text_goes_that_cannot_reach_the_phone(
    web_service: Service, ask: object
) -> None:
    web_service.enrol({"email": "ada@example.org", "email_if_unreached": "yes"})
    page = Browser(web_service, ask)
    said = "A text that cannot reach the phone goes by email to ada@example.org instead."
    assert said in page.get().text
    assert "va por correo a ada@example.org" in page.get("?lang=es").text
    web_service.enrol({"email": "ada@example.org", "alert_by": "both"})
    assert "cannot reach the phone" not in page.get().text
    web_service.enrol({"email": "ada@example.org", "email_if_unreached": "no"})
    assert "cannot reach the phone" not in page.get().text
