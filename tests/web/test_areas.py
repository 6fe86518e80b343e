"""Public results of reference fields, in every form they are given in."""

from __future__ import annotations

import csv
import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from datetime import time

import httpx
import pytest
from factories import AREA, Service, day, results_sheet
from pydantic import BaseModel

from alerts.store.tables import Area, Farm, FarmField, Person

Ask = Callable[..., httpx.Response]

PATH = "/areas/heron-flats"
FORMS = ("", ".csv", ".json", ".atom", "/chart.svg")
ATOM = "{http://www.w3.org/2005/Atom}"


def publish(service: Service, field_id: int, name: str, place: str = "") -> None:
    with service.sessions.write() as session:
        found = session.get_one(FarmField, field_id)
        found.public_name, found.public_place = name, place


@pytest.fixture
def area(web_service: Service) -> Service:
    """Three reference fields, two with two rounds, and a private one."""
    web_service.enrol(
        {"field": "North"}, {"field": "Creek"}, {"field": "Secret"}, {"field": "Knoll"}
    )
    publish(web_service, 4, "School knoll")
    publish(web_service, 1, "Valley road", "by the creek")
    publish(web_service, 2, "Old mill", "the ridge")
    web_service.clock.set(day(3), time(12))
    web_service.results(
        {"rfv": 225, "ndf_pct_dm": 31.2}, {"field": "Creek", "rfv": 235},
        {"field": "Secret", "rfv": 111},
        {"sampled_on": day(3), "rfv": 210, "ndf_pct_dm": 33.0},
        {"field": "Creek", "sampled_on": day(3), "rfv": 200, "method": "wet",
         "ndf_pct_dm": 34.0},
        {"field": "Knoll", "sampled_on": day(3), "rfv": 205, "ndf_pct_dm": 33.5},
    )  # fmt: skip
    return web_service


def test_list_names_areas_that_publish(ask: Ask, area: Service) -> None:
    page = ask("GET", "/areas")
    assert page.status_code == 200
    assert f'<a href="/areas/heron-flats">{AREA}</a>, 3 fields' in page.text


def test_list_without_areas_says_so(ask: Ask) -> None:
    assert "No area publishes results yet." in ask("GET", "/areas").text


def test_page_shows_the_newest_round_the_table_and_the_chart_in_words(
    ask: Ask, area: Service
) -> None:
    page = ask("GET", PATH)
    assert page.status_code == 200
    text = " ".join(page.text.split())
    assert "5 results" in text
    assert "205 in the middle of 3 fields, 200 to 210" in text
    assert "33.5 in the middle of 3 fields, 33.0 to 34.0" in text
    assert "RFV, cutting 1, Thu May 13" in text
    assert text.count('<th scope="row">Valley road</th>') == 2
    assert f'<img src="{PATH}/chart.svg"' in text
    assert "RFV 210" in text
    assert "Secret" not in text


def test_page_adds_the_sum_up_with_ones_own_numbers(ask: Ask, area: Service) -> None:
    # 160 + 25 = 185 standing, 2 days at 4 a day make 8, start at 193; from 205 on Thu May 13
    # that is 12 points, 3 days.
    said = ask("GET", f"{PATH}?target=160&loss=25&days=2").text
    text = " ".join(said.split())
    for part in ("185</td>", "2 days of harvest at 4 a day", "193</td>", "205</td>"):
        assert part in text
    assert "is 3 days from that sampling: start by about Sun May 16." in text
    assert 'name="target" inputmode="decimal" value="160"' in text


def test_area_with_too_few_fields_says_what_a_sum_takes(ask: Ask, area: Service) -> None:
    text = " ".join(ask("GET", f"{PATH}?method=wet").text.split())
    assert "<dd>only 1 field yet: no middle and no sum</dd>" in text
    assert "No sum yet in RFV: it takes 3 fields of one cutting, sampled on the same day." in text
    assert "of harvest at" not in text


def test_crop_that_is_past_the_level_is_said_to_be(ask: Ask, area: Service) -> None:
    text = " ".join(ask("GET", f"{PATH}?target=200&loss=25&days=2").text.split())
    assert "The fields were past that level when they were sampled, by about 7 days." in text


@pytest.mark.parametrize(
    ("query", "name", "sentence"),
    [
        ("target=lots", "target", "Give a number from 10 to 400."),
        ("target=nan", "target", "Give a number from 10 to 400."),
        ("days=-1", "days", "Give a number from 0 to 60."),
        ("loss=1e9", "loss", "Give a number from 0 to 100."),
        ("from=yesterday", "from", "Give a day such as 2027-05-10."),
    ],
)
def test_what_cannot_be_is_said_at_its_field_and_kept(
    query: str, name: str, sentence: str, ask: Ask, area: Service
) -> None:
    page = ask("GET", f"{PATH}?{query}")
    assert page.status_code == 200
    assert f'<p class="error" id="{name}-error">{sentence}</p>' in page.text
    assert f'value="{query.partition("=")[2]}"' in page.text
    assert f'{name}-error" aria-invalid="true"' in page.text


def test_results_are_chosen_by_a_form(ask: Ask, area: Service) -> None:
    text = ask("GET", f"{PATH}?method=wet&place=the+ridge&from=2027-05-11&to=&index=rfv").text
    assert text.count('<th scope="row">Old mill</th>') == 1
    assert "Valley road" not in text
    assert (
        f'href="{PATH}.csv?index=rfv&amp;method=wet&amp;place=the+ridge&amp;from=2027-05-11"'
        in text
    )
    none = ask("GET", f"{PATH}?place=nowhere").text
    assert "No result is like that." in none


def test_index_of_chart_and_sum_is_chosen(ask: Ask, area: Service) -> None:
    text = " ".join(ask("GET", f"{PATH}?index=ndf").text.split())
    assert "NDF, % of dry matter" in text
    assert "less what handling takes" in text
    chart = ask("GET", f"{PATH}/chart.svg?index=ndf")
    assert "NDF" in chart.text


def test_csv_holds_the_results(ask: Ask, area: Service) -> None:
    answer = ask("GET", f"{PATH}.csv")
    assert answer.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert next(row for row in rows if row["field"] == "Valley road") == {
        "sampled_on": "2027-05-13", "field": "Valley road", "place": "by the creek",
        "cutting": "1", "method": "nir", "rfv": "210", "rfq": "", "ndf_pct_dm": "33.0",
    }  # fmt: skip
    assert len(rows) == 5


def test_json_is_the_answer_of_the_api(ask: Ask, area: Service) -> None:
    assert (
        ask("GET", f"{PATH}.json").json() == ask("GET", "/api/v1/areas/heron-flats/results").json()
    )


def test_feed_has_what_readers_need_and_keeps_its_ids(ask: Ask, area: Service) -> None:
    # RFC 4287, sections 4.1.1 and 4.1.2: id, title and updated of feed and entries, an author.
    def entries() -> dict[str, tuple[str, str]]:
        answer = ask("GET", f"{PATH}.atom")
        assert answer.headers["content-type"].startswith("application/atom+xml")
        feed = ET.fromstring(answer.content)
        assert feed.tag == f"{ATOM}feed"
        for needed in ("id", "title", "updated", "author"):
            assert feed.find(f"{ATOM}{needed}") is not None
        [itself] = [one for one in feed.iter(f"{ATOM}link") if one.get("rel") == "self"]
        assert itself.get("href") == "https://cutcall.example.org/areas/heron-flats.atom"
        return {
            entry.findtext(f"{ATOM}id", ""): (
                entry.findtext(f"{ATOM}title", ""),
                entry.findtext(f"{ATOM}updated", ""),
            )
            for entry in feed.iter(f"{ATOM}entry")
        }

    before = entries()
    assert len(before) == 5
    assert all(one.startswith("tag:cutcall.example.org,2027-03-01:") for one in before)
    assert ("Valley road, 2027-05-13: RFV 210, NDF 33.0", "2027-05-13T17:00:00+00:00") in (
        before.values()
    )
    area.later(hours=1)
    area.results({"sampled_on": day(3), "rfv": 190, "lab": "ouzel", "lab_number": "9"})
    after = entries()
    assert len(after) == 6
    assert before.items() <= after.items()


def test_empty_season_has_every_form(ask: Ask, web_service: Service) -> None:
    publish(web_service, 1, "Valley road")
    for form in FORMS:
        assert ask("GET", f"{PATH}{form}").status_code == 200, form
    assert "No result has come in this season yet." in ask("GET", PATH).text


@pytest.mark.parametrize("form", FORMS)
def test_reader_who_has_it_need_not_fetch_it_again(form: str, ask: Ask, area: Service) -> None:
    first = ask("GET", f"{PATH}{form}")
    tag = first.headers["etag"]
    assert first.headers["cache-control"] == "public, max-age=300"
    for named in (tag, f"W/{tag}", f'"x", {tag}', "*"):
        again = ask("GET", f"{PATH}{form}", headers={"if-none-match": named})
        assert (again.status_code, again.content) == (304, b"")
        assert again.headers["etag"] == tag
    area.results({"field": "Secret", "sampled_on": day(2), "rfv": 112})
    assert ask("GET", f"{PATH}{form}").headers["etag"] == tag
    area.results({"sampled_on": day(2), "rfv": 212})
    newer = ask("GET", f"{PATH}{form}", headers={"if-none-match": tag})
    assert newer.status_code == 200
    assert newer.headers["etag"] != tag


@pytest.mark.parametrize("form", FORMS)
def test_unknown_area_is_not_found(form: str, ask: Ask, area: Service) -> None:
    assert ask("GET", f"/areas/otter-bend{form}").status_code == 404


@pytest.mark.parametrize("form", [".csv", ".json", ".atom", "/chart.svg"])
def test_program_that_asks_for_what_cannot_be_is_told(form: str, ask: Ask, area: Service) -> None:
    assert ask("GET", f"{PATH}{form}?method=guess").status_code == 422


# ------------------------------------------------------------------------------ secrets

SECRETS = {
    "farm": "Quietfarm", "farmer": "Quietfarmer", "phone": "+12025550147",
    "email": "quiet.farmer@example.org", "consultant": "Quietadviser",
    "consultant_email": "quiet.adviser@example.org", "sampler": "Quietsampler",
    "sampler_email": "quiet.sampler@example.org", "consent_how": "Quietconsent",
    "soil": "heavy", "variety": "Quietvariety", "latitude": "43.98765", "longitude": "-89.12345",
    "acres": "41.375", "also_known_as": "Quietalias", "alert_by": "both",
}  # fmt: skip


@pytest.fixture
def secretive(web_service: Service) -> Service:
    """One public field, everything else about it and around it a word of its own."""
    web_service.enrol(
        {**SECRETS, "field": "Quietfield"},
        {**SECRETS, "field": "Quietother", "latitude": "43.87654", "longitude": "-89.23456"},
    )
    quiet = next(row for row in web_service.rows(FarmField) if row.name == "Quietfield")
    publish(web_service, quiet.id or 0, "Valley road", "by the creek")
    row = {"farm": "Quietfarm", "lab": "Quietlab", "remark": "Quietremark", "method": "nir"}
    web_service.take(
        results_sheet(
            {**row, "field": "Quietfield", "lab_number": "Quietnumber-1", "rfv": 205},
            {**row, "field": "Quietalias", "lab_number": "Quietnumber-2", "rfv": 207.25},
            {**row, "field": "Quietother", "lab_number": "Quietnumber-3", "rfv": 137},
            {**row, "field": "Quietnowhere", "lab_number": "Quietnumber-4", "rfv": 138},
        ),
        "Quietdocument.csv",
    )
    web_service.evaluate()
    web_service.send()
    return web_service


def sentinels(service: Service) -> set[str]:
    """Every text of the database that bears the mark of a secret, and what else is private."""
    found = {
        *("quiet", "43.98", "89.12", "43.87", "2025550147", "41.375", "heavy", "137", "138"),
        *("milking_cows", "nutritionist@"),
    }
    for table in (Farm, FarmField, Person):
        for row in service.rows(table):
            found |= {
                value.casefold()
                for value in BaseModel.model_dump(row).values()
                if isinstance(value, str) and "quiet" in value.casefold()
            }
    return found


REQUEST_ID = "x-request-id"  # drawn by chance, and so are the digits it holds


@pytest.mark.parametrize(
    "path",
    [
        *(f"{PATH}{form}" for form in FORMS),
        "/areas",
        "/api/v1/areas",
        "/api/v1/areas/heron-flats/results",
    ],
)
def test_nothing_private_is_ever_shown(path: str, ask: Ask, secretive: Service) -> None:
    private = sentinels(secretive)
    assert len(private) > 12
    for query in ("", "?index=rfv&method=nir", "?place=Quietfield&from=2027-05-01"):
        answer = ask("GET", path + query)
        assert answer.status_code == 200
        headers = {name: value for name, value in answer.headers.items() if name != REQUEST_ID}
        shown = (answer.text + str(headers)).casefold()
        if "place=" in query and path == PATH:
            shown = shown.replace("place=quietfield", "")  # what the visitor typed comes back
        if path == f"{PATH}/chart.svg":
            private -= {"137", "138"}  # coordinates of the drawing hold any digits
        assert {one for one in private if one in shown} == set(), (path, query)
        if path.startswith(PATH) and "place=" not in query:
            assert "valley road" in shown


def test_public_field_that_is_withdrawn_is_gone_everywhere(ask: Ask, secretive: Service) -> None:
    quiet = next(row for row in secretive.rows(FarmField) if row.public_name)
    publish(secretive, quiet.id or 0, "")
    for form in FORMS:
        assert ask("GET", f"{PATH}{form}").status_code == 404
    assert "Heron" not in ask("GET", "/areas").text


# --------------------------------------------------------------------------- injection


def test_public_name_with_markup_stays_a_name(ask: Ask, web_service: Service) -> None:
    wild = "<script>alert(1)</script>\"'&"
    publish(web_service, 1, wild, f"in {wild}")
    with web_service.sessions.write() as session:
        session.get_one(Area, 1).name = f"Flats {wild}"
    web_service.results({"rfv": 205})
    listed = ask("GET", "/areas").text
    slug = listed.split('href="/areas/')[1].split('"')[0]
    for form in ("", "/chart.svg"):
        page = ask("GET", f"/areas/{slug}{form}")
        assert page.status_code == 200
        assert "<script>" not in page.text
    assert "<script>" not in listed
    feed = ET.fromstring(ask("GET", f"/areas/{slug}.atom").content)
    assert (feed.findtext(f"{ATOM}entry/{ATOM}title") or "").startswith(wild)
    assert ask("GET", f"/areas/{slug}.json").json()["results"][0]["field"] == wild


def test_query_with_markup_stays_text(ask: Ask, area: Service) -> None:
    wild = '"><script>alert(1)</script>'
    page = ask("GET", PATH, params=dict.fromkeys(("place", "target", "from", "method"), wild))
    assert page.status_code == 200
    assert "<script>" not in page.text


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", " ="])
def test_cell_that_a_spreadsheet_would_run_is_made_text(
    start: str, ask: Ask, web_service: Service
) -> None:
    # OWASP, CSV Injection: cells beginning with = + - @, tab or carriage return.
    publish(web_service, 1, f"{start}HYPERLINK(0)", f"{start}1+1")
    web_service.results({"rfv": 205})
    [row] = csv.DictReader(io.StringIO(ask("GET", f"{PATH}.csv").text, newline=""))
    assert row["field"] == f"'{start}HYPERLINK(0)"
    assert row["place"] == f"'{start}1+1"


def test_public_pages_need_no_inline_style_and_no_script_but_the_shared_one(
    ask: Ask, area: Service
) -> None:
    for path in ("/areas", PATH):
        text = ask("GET", path).text
        scripts = re.findall(r"<script[^>]*>.*?</script>", text, re.S)
        assert scripts == ['<script src="/static/focus.js" defer></script>']
        assert "style=" not in text
        assert "<style" not in text


def test_newest_sampling_stands_open_and_earlier_ones_are_folded(ask: Ask, area: Service) -> None:
    text = ask("GET", PATH).text
    newest, _, folded = text.partition('<details id="earlier">')
    assert "<summary>Earlier samplings: 2 results</summary>" in folded
    assert "Thu May 13</td>" in newest and "Mon May 10</td>" not in newest
    assert "Mon May 10</td>" in folded and "Thu May 13</td>" not in folded
    assert "stacked" in text
