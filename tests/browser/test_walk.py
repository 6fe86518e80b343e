"""One farmer's spring on a phone: sign up, confirm by text, a result, a text, CUT, the page.

Nothing is faked between the browser and the phone: form, outbox, gateway over HTTP, signed
webhooks, the same jobs that the ticker runs.
"""

from __future__ import annotations

import re
from datetime import date, time

import pytest
from accessibility import grave_findings
from factories import results_sheet
from live import Shoot, Site
from playwright.sync_api import Page, expect

from alerts.services.access.tokens import make_token
from alerts.store.tables import Area

PHONE_NUMBER = "+12025550143"
SUNDAY, MONDAY, TUESDAY = date(2027, 5, 9), date(2027, 5, 10), date(2027, 5, 11)


@pytest.fixture
def open_area(site: Site) -> Site:
    """A program's area, with the ground for farms to sign up on."""
    with site.parts.sessions.write() as session:
        session.add(Area(name="Heron Flats", time_zone="America/Chicago"))
    return site


def texts(site: Site) -> list[str]:
    return [text.body for text in site.gateway.texts if text.to == PHONE_NUMBER]


def laboratory_token(site: Site) -> str:
    with site.parts.sessions.write() as session:
        _, secret = make_token(session, "lab", "Kestrel", None, "kestrel", (), None, site.clock())
    return secret


def test_farmer_signs_up_confirms_is_told_and_says_cut_on_a_phone(
    open_area: Site, phone: Page, shoot: Shoot
) -> None:
    site = open_area
    site.clock.set(SUNDAY, time(15))

    # -- sign up, with a slip first: nothing typed may be lost
    phone.goto(site.url + "/")
    phone.get_by_role("link", name="Sign up a farm").click()
    phone.get_by_label("Your name").fill("Ada Lindqvist")
    phone.get_by_label("Cell phone").fill("202 555")
    phone.get_by_label("Name of the farm").fill("Plum Bottom")
    phone.get_by_label("Name of the field").fill("North")
    phone.get_by_label("Who eats it?").select_option("milking_cows")
    phone.get_by_label("Days it takes to cut it all").fill("2")
    expect(phone.locator("#worked-line")).to_contain_text("Start near RFV 173")
    shoot(phone, "signup-filled-phone")
    phone.get_by_label(re.compile("agree", re.I)).check()
    phone.get_by_role("button", name="Sign up", exact=True).last.click()
    slip = phone.get_by_label("Cell phone")
    expect(slip).to_have_attribute("aria-invalid", "true")
    expect(phone.get_by_label("Your name")).to_have_value("Ada Lindqvist")
    expect(phone.get_by_label("Days it takes to cut it all")).to_have_value("2")
    assert grave_findings(phone) == []
    shoot(phone, "signup-slip-phone")
    slip.fill("202 555 0143")
    phone.get_by_role("button", name="Sign up", exact=True).last.click()
    expect(phone).to_have_url(re.compile("/signup/sent"))
    assert grave_findings(phone) == []
    shoot(phone, "signup-sent-phone")

    # -- confirm by text: nothing but the question went out before
    site.round()
    [question] = texts(site)
    assert "YES" in question
    assert "STOP" in question
    assert site.gateway.text_in(PHONE_NUMBER, "Yes") == 200
    site.round()
    welcome = texts(site)[-1]
    page_url = re.search(r"http\S+", welcome)
    assert page_url is not None, welcome

    # -- a result is posted; the text comes with the date first
    site.clock.set(MONDAY, time(12))
    answer = phone.request.post(
        site.url + "/api/v1/results",
        headers={"Authorization": f"Bearer {laboratory_token(site)}", "Content-Type": "text/csv"},
        data=results_sheet({"lab": "kestrel", "lab_number": "K-1", "rfv": 185}),
    )
    assert answer.json()["accepted"] == 1
    site.clock.set(TUESDAY, time(7, 5))
    site.round()
    told = texts(site)[-1]
    assert told.startswith("Cutcall Plum Bottom: start cutting ")
    assert "RFV 185" in told

    # -- the page behind the link says the same
    phone.goto(page_url.group())
    expect(phone.get_by_role("heading", level=1)).to_have_text("Plum Bottom")
    day = re.search(r"(Mon|Tue|Wed|Thu|Fri|Sat|Sun) May \d+", told)
    assert day is not None, told
    expect(phone.locator("p.date")).to_have_text(re.compile(f"{day.group()}|Now"))
    picture = phone.locator("figure img").first
    assert picture.evaluate("image => image.complete && image.naturalWidth > 0")
    assert len(picture.get_attribute("alt") or "") > 60
    assert grave_findings(phone) == []
    shoot(phone, "farm-phone")

    # -- CUT by text; the page shows it
    assert site.gateway.text_in(PHONE_NUMBER, "cut north") == 200
    site.round()
    assert "North" in texts(site)[-1]
    phone.reload()
    expect(phone.locator("ul.cuts")).to_contain_text("North")
    expect(phone.locator("ul.cuts")).to_contain_text("Tue May 11")
    assert grave_findings(phone) == []
    shoot(phone, "farm-after-cut-phone")

    # -- STOP: no text goes out any more
    assert site.gateway.text_in(PHONE_NUMBER, "STOP") == 200
    before = len(texts(site))
    site.clock.set(date(2027, 5, 20), time(7, 5))
    site.round()
    assert len(texts(site)) == before
    phone.reload()
    expect(phone.locator("body")).to_contain_text("Your messages are stopped.")
