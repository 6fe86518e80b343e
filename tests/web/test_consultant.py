from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Mapping
from dataclasses import fields
from datetime import time, timedelta
from html import unescape

import httpx
import pytest
from advisers import EVA, JO, PER, farm, farm_id, field_id, page_of, person_id
from factories import (
    MONDAY,
    OTHER_PHONE,
    ROSTER_ROW,
    THIRD_PHONE,
    Home,
    Service,
    build_message,
    day,
    sheet,
)
from icalendar import Calendar

from alerts.domain.changes import FarmSaid, as_json
from alerts.domain.records import RosterRow
from alerts.services.access.links import Role
from alerts.services.consultants.roster_upload import MOST_BYTES, MOST_ROWS
from alerts.store import digests, documents, operator
from alerts.store.tables import (
    Area,
    Consent,
    Document,
    Farm,
    FarmField,
    FarmOutlookRow,
    Person,
    RejectedRow,
)

Ask = Callable[..., httpx.Response]


@pytest.fixture
def mine(spring: Service) -> str:
    return page_of(spring, Role.CONSULTANT, PER)


def table_of(page: httpx.Response) -> str:
    found = re.search(r'<table class="data.*?</table>', page.text, re.DOTALL)
    assert found
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", found.group())))


def roster(*rows: Mapping[str, object]) -> bytes:
    """Rows as a consultant writes them: without a consultant."""
    return sheet([{**ROSTER_ROW, **row} for row in rows]).encode()


def upload(ask: Ask, base: str, content: bytes, name: str = "mine.csv") -> httpx.Response:
    return ask("POST", f"{base}/upload", files={"roster": (name, content, "text/csv")})


def token_in(page: httpx.Response) -> str:
    found = re.search(r'name="upload" value="([^"]+)"', page.text)
    assert found
    return unescape(found.group(1))


def confirm(ask: Ask, base: str, preview: httpx.Response) -> httpx.Response:
    return ask("POST", f"{base}/upload/confirm", data={"upload": token_in(preview)})


# --- the table


def test_page_lists_own_clients_and_nobody_elses(ask: Ask, mine: str) -> None:
    page = ask("GET", mine)
    assert page.status_code == 200
    assert "no-store" in page.headers["cache-control"]
    assert "Plum Bottom" in page.text
    assert "RFV 205 on May 10" in page.text
    assert "Wide Acre" not in page.text
    assert "Uma Holt" not in page.text


@pytest.mark.parametrize("path", ["", "/upload", "/start-dates.csv", "/start-dates.ics"])
def test_link_of_another_role_or_a_changed_one_opens_nothing(
    ask: Ask, spring: Service, mine: str, path: str
) -> None:
    sampler = page_of(spring, Role.SAMPLER, JO).rsplit("/", 1)[1]
    assert ask("GET", f"/consultant/{sampler}{path}").status_code == 404
    assert ask("GET", f"{mine[:-1]}{path}").status_code == 404


def test_filter_survives_in_the_page_and_in_the_exports(ask: Ask, mine: str) -> None:
    page = ask("GET", mine, params={"q": "hollow", "days": "90", "only": "", "method": "haylage"})
    assert "Alder End" in table_of(page)
    assert "Plum Bottom" not in table_of(page)
    assert 'value="hollow"' in page.text
    assert 'value="haylage" selected' in page.text
    link = re.search(r'href="([^"]+start-dates\.csv[^"]*)"', page.text)
    assert link
    rows = csv.DictReader(io.StringIO(ask("GET", unescape(link.group(1))).text.lstrip("\ufeff")))
    assert {row["client"] for row in rows} == {"Alder End"}


@pytest.mark.parametrize("days", ["soon", "-1", "1.5", "9999", "٣"])
def test_days_that_are_none_are_said_beside_the_field_and_kept(
    ask: Ask, mine: str, days: str
) -> None:
    page = ask("GET", mine, params={"days": days, "q": "plum"})
    assert 'id="days-error"' in page.text
    assert 'aria-describedby="days-error"' in page.text
    assert f'value="{days}"' in page.text
    assert "Plum Bottom" in table_of(page)


def test_what_is_typed_into_the_filter_cannot_become_markup(ask: Ask, mine: str) -> None:
    page = ask("GET", mine, params={"q": '"><script>x</script>', "area": "<b>"})
    assert "<script>x" not in page.text
    assert "<b>" not in page.text


def test_names_cannot_become_markup(ask: Ask, spring: Service, mine: str) -> None:
    spring.enrol(farm("<img src=x>", "<i>y</i>", farmer="<u>Z</u>", phone=THIRD_PHONE))
    number = farm_id(spring, "<img src=x>")
    for path in ("", f"/farm/{number}"):
        text = ask("GET", f"{mine}{path}").text
        assert "&lt;img src=x&gt;" in text
        assert "<img src=x>" not in text
        assert "<u>Z" not in text


def test_calendar_is_offered_as_a_file(ask: Ask, mine: str) -> None:
    answer = ask("GET", f"{mine}/start-dates.ics")
    assert answer.headers["content-type"].startswith("text/calendar")
    assert "attachment" in answer.headers["content-disposition"]
    assert len(Calendar.from_ical(answer.content).walk("VEVENT")) == 2


def test_calendar_without_a_date_is_refused_with_a_sentence(ask: Ask, mine: str) -> None:
    # RFC 5545 3.6: a calendar holds at least one component.
    answer = ask("GET", f"{mine}/start-dates.ics", params={"q": "nobody"})
    assert answer.status_code == 400
    assert "no client of this list" in answer.text.lower()


def test_every_header_and_control_has_a_name(ask: Ask, mine: str) -> None:
    # W3C, 2023, Web Content Accessibility Guidelines 2.2: 1.3.1 and 4.1.2.
    for path in ("", "/upload"):
        text = ask("GET", f"{mine}{path}").text
        assert not re.search(r"<th(?![^>]*scope=)[ >]", text)
        labels = set(re.findall(r'<label for="([^"]+)"', text))
        controls = re.findall(r'<(?:input|select)(?![^>]*type="hidden")[^>]*?id="([^"]+)"', text)
        assert controls
        assert set(controls) <= labels
    assert "<caption>" in ask("GET", mine).text


# --- one client, and who may see it


def test_client_page_shows_fields_charts_and_messages(ask: Ask, spring: Service, mine: str) -> None:
    number = farm_id(spring, "Plum Bottom")
    page = ask("GET", f"{mine}/farm/{number}")
    assert page.status_code == 200
    assert "RFV 185" in page.text
    source = re.search(r'<img src="([^"]+)"', page.text)
    assert source
    chart = ask("GET", unescape(source.group(1)))
    assert chart.headers["content-type"] == "image/svg+xml"
    assert chart.content.lstrip().startswith(b"<?xml")
    assert "<form" not in page.text


def test_date_that_is_gone_reads_as_now(ask: Ask, spring: Service, mine: str) -> None:
    number = farm_id(spring, "Plum Bottom")
    [start] = {r.farm_start_median for r in spring.lines() if r.farm == "Plum Bottom"}
    assert start is not None
    said = f"{start:%a %b} {start.day}"
    spring.clock.set(start, time(9))
    assert f'<p class="date">{said}</p>' in ask("GET", f"{mine}/farm/{number}").text
    spring.clock.set(start + timedelta(days=1), time(9))
    assert f"now ; the day was {said}" in table_of(ask("GET", mine, params={"q": "plum"}))
    page = ask("GET", f"{mine}/farm/{number}").text
    assert '<p class="date">Now</p>' in page
    assert f"The day to start was {said}." in page


def test_ndf_is_a_limit_and_not_a_need(ask: Ask, spring: Service, mine: str) -> None:
    ndf = {"index": "ndf", "feed_target": 40, "handling_loss": 2, "harvest_method": "haylage"}
    spring.enrol(farm("Reed Island", "Bank", phone=THIRD_PHONE, farmer="Ivo Lund", **ndf))
    assert "at most NDF 38 standing" in table_of(ask("GET", mine, params={"q": "reed"}))
    page = ask("GET", f"{mine}/farm/{farm_id(spring, 'Reed Island')}").text
    assert "<dt>Gained in handling</dt><dd>2</dd>" in page
    assert "<dt>At most standing</dt><dd>NDF 38</dd>" in page
    spring.results({"farm": "Reed Island", "field": "Bank", "ndf_pct_dm": 31})
    spring.evaluate()
    page = ask("GET", f"{mine}/farm/{farm_id(spring, 'Reed Island')}").text
    assert re.search(r'<td class="n">NDF [\d.]+</td><td class="n">\d\d\.\d to \d\d\.\d</td>', page)


def test_another_consultants_farm_field_and_chart_do_not_exist(
    ask: Ask, spring: Service, mine: str
) -> None:
    theirs, ours = farm_id(spring, "Wide Acre"), farm_id(spring, "Plum Bottom")
    chart = field_id(spring, "Long")
    own_chart = field_id(spring, "Ridge")
    for path in (
        f"/farm/{theirs}",
        f"/farm/{theirs}/chart/{chart}.svg",
        f"/farm/{ours}/chart/{chart}.svg",
        f"/farm/{ours}/chart/{own_chart}.svg",  # a field of another farm, though their own
        "/farm/99999",
        f"/farm/{ours}/chart/99999.svg",
    ):
        answer = ask("GET", f"{mine}{path}")
        assert answer.status_code == 404, path
        assert "Wide Acre" not in answer.text
    eva = page_of(spring, Role.CONSULTANT, EVA)
    assert ask("GET", f"{eva}/farm/{theirs}").status_code == 200


# --- the digest


def test_digest_options_are_saved_and_shown(ask: Ask, spring: Service, mine: str) -> None:
    answer = ask("POST", f"{mine}/digest", data={"every": "weekly"})
    assert answer.status_code == 303
    page = ask("GET", answer.headers["location"].partition("#")[0])
    assert 'value="weekly" checked' in page.text
    assert "Saved." in page.text
    [per] = [one for one in spring.rows(Person) if one.email == PER]
    assert (per.digest, per.digest_if_unchanged) == ("weekly", False)


def test_digest_option_that_is_none_changes_nothing(ask: Ask, spring: Service, mine: str) -> None:
    assert ask("POST", f"{mine}/digest", data={"every": "hourly"}).status_code == 400
    [per] = [one for one in spring.rows(Person) if one.email == PER]
    assert per.digest == "daily"


# --- enrolling: the preview


def test_template_names_every_column_a_consultant_may_fill_in(ask: Ask, mine: str) -> None:
    answer = ask("GET", f"{mine}/roster.csv")
    [header] = list(csv.reader(io.StringIO(answer.content.decode("utf-8-sig"))))
    known = {one.name for one in fields(RosterRow)}
    assert known - set(header) == {"row", "consultant", "consultant_email", "digest"}


def test_preview_says_row_by_row_what_would_happen_and_does_nothing(
    ask: Ask, spring: Service, mine: str
) -> None:
    before = {table: spring.rows(table) for table in (Farm, FarmField, Person, Consent, Area)}
    content = roster(
        {"farm": "Stone Row", "field": "East", "farmer": "Ivo Brandt", "phone": THIRD_PHONE},
        {"field": "South"},
        {"feed_target": "160"},
        {"farm": "Alder End", "field": "Ridge", "feed_target": "170"},
        {"farm": "Bad Lot", "field": "", "farmer": "No Field", "phone": THIRD_PHONE},
    )
    page = upload(ask, mine, content)
    assert page.status_code == 200
    told = table_of(page)
    assert re.search(r"2 Stone Row East new farm", told)
    assert re.search(r"3 Plum Bottom South new field", told)
    assert re.search(r"4 Plum Bottom North", told)
    assert re.search(r"5 Alder End Ridge changed .*feed target: 160, now 170", told)
    assert re.search(r"6 Bad Lot .*left out", told)
    assert "the field is missing" in told.lower()
    after = {table: spring.rows(table) for table in before}
    assert after == before
    assert "5 rows: 1 of new farms, 1 of new fields" in page.text
    assert "Nothing is done yet" in page.text


def test_row_that_changes_nothing_is_unchanged(ask: Ask, mine: str) -> None:
    content = roster({"sampler": "Jo Fenwick", "sampler_email": JO})
    page = upload(ask, mine, content)
    assert re.search(r"2 Plum Bottom North unchanged", table_of(page))
    assert "There is nothing to do" in page.text


def test_sampler_left_empty_stays_and_no_ends_it(ask: Ask, spring: Service, mine: str) -> None:
    page = upload(ask, mine, roster({}))
    assert "now nothing" not in table_of(page)
    assert (
        "Left empty, so Jo Fenwick (jo@example.org) still samples Plum Bottom; write no to end it."
    ) in page.text
    page = upload(ask, mine, roster({"sampler": "no"}))
    assert "sampler: Jo Fenwick (jo@example.org), now nothing" in table_of(page)
    assert "gets no message without" not in page.text
    confirm(ask, mine, page)
    [plum] = [one for one in spring.rows(Farm) if one.name == "Plum Bottom"]
    assert plum.sampler_id is None


def test_area_that_nobody_opened_is_refused_with_the_one_meant(
    ask: Ask, spring: Service, mine: str
) -> None:
    before = [area.name for area in spring.rows(Area)]
    stone = {"farm": "Stone Row", "farmer": "Ivo Brandt", "phone": THIRD_PHONE}
    page = upload(ask, mine, roster({**stone, "area": "Heron Flts"}))
    assert "There is no area Heron Flts; did you mean Heron Flats?" in table_of(page)
    page = upload(ask, mine, roster({**stone, "area": "Xylem"}))
    assert "There is no area Xylem: ask the operator to open it." in table_of(page)
    assert [area.name for area in spring.rows(Area)] == before


def test_preview_names_who_will_not_be_written_to(ask: Ask, mine: str) -> None:
    content = roster(
        {"farm": "Quiet End", "farmer": "Ivo Brandt", "phone": THIRD_PHONE, "consent_on": ""}
    )
    page = upload(ask, mine, content)
    assert "Will not be written to" in page.text
    assert "Ivo Brandt of Quiet End: No consent yet: ask, then fill in consent_on." in page.text


def test_confirming_enrols_under_the_visitor(ask: Ask, spring: Service, mine: str) -> None:
    content = roster({"farm": "Stone Row", "farmer": "Ivo Brandt", "phone": THIRD_PHONE})
    done = confirm(ask, mine, upload(ask, mine, content))
    assert done.status_code == 200
    assert "new farm" in table_of(done)
    [stone] = [one for one in spring.rows(Farm) if one.name == "Stone Row"]
    assert stone.consultant_id == person_id(spring, PER)
    assert "Stone Row" in ask("GET", mine).text


def test_confirming_twice_changes_nothing_more(ask: Ask, spring: Service, mine: str) -> None:
    content = roster({"farm": "Stone Row", "farmer": "Ivo Brandt", "phone": THIRD_PHONE})
    preview = upload(ask, mine, content)
    confirm(ask, mine, preview)
    count = len(spring.rows(Farm))
    assert "unchanged" in table_of(confirm(ask, mine, preview))
    assert len(spring.rows(Farm)) == count


def test_file_is_kept_as_it_came_and_its_rejected_rows_wait(
    ask: Ask, spring: Service, mine: str
) -> None:
    content = roster(
        {"phone": THIRD_PHONE, "farmer": "Ivo Brandt", "farm": "Stone Row"},
        {"field": "South", "acres": "many"},
    )
    preview = upload(ask, mine, content)
    [kept] = [one for one in spring.rows(Document) if one.name == "mine.csv"]
    assert kept.content == content
    assert kept.read_at is not None  # nobody else takes it for a file of results
    confirm(ask, mine, preview)
    [row] = spring.rows(RejectedRow)
    assert (row.document_id, row.row, row.column) == (kept.id, 3, "acres")
    # They are the consultant's to correct, and nobody else's.
    assert "mine.csv, row 3: acres:" in ask("GET", f"{mine}/upload").text
    with spring.sessions.read() as session:
        assert operator.faulty_documents(session) == []
        assert documents.rejected_rows(session) == []
    other = page_of(spring, Role.CONSULTANT, EVA)
    assert "mine.csv" not in ask("GET", f"{other}/upload").text
    mended = roster(
        {"phone": THIRD_PHONE, "farmer": "Ivo Brandt", "farm": "Stone Row"},
        {"phone": THIRD_PHONE, "farmer": "Ivo Brandt", "farm": "Stone Row", "field": "South"},
    )
    confirm(ask, mine, upload(ask, mine, mended))
    assert "mine.csv, row 3" not in ask("GET", f"{mine}/upload").text


# --- enrolling: only one's own


def test_row_naming_another_consultant_is_left_out(ask: Ask, spring: Service, mine: str) -> None:
    content = roster(
        {
            "farm": "Stone Row",
            "farmer": "Ivo Brandt",
            "phone": THIRD_PHONE,
            "consultant": "Eva Roth",
            "consultant_email": EVA,
        }
    )
    page = upload(ask, mine, content)
    assert re.search(r"left out The row names eva@example.org as the consultant", table_of(page))
    assert "There is nothing to do" in page.text


def test_another_consultants_farm_cannot_be_changed_or_taken(
    ask: Ask, spring: Service, mine: str
) -> None:
    content = roster(
        {"farm": "WIDE acre", "field": "Long", "farmer": "Mallory", "phone": THIRD_PHONE},
        {"farm": "Plum Bottom", "field": "South"},
    )
    preview = upload(ask, mine, content)
    assert "is no client of yours" in table_of(preview)
    confirm(ask, mine, preview)
    [wide] = [one for one in spring.rows(Farm) if one.name == "Wide Acre"]
    assert wide.consultant_id == person_id(spring, EVA)
    assert {one.name for one in spring.rows(FarmField) if one.farm_id == wide.id} == {"Long"}
    assert "South" in {one.name for one in spring.rows(FarmField)}  # the good row is enrolled


def test_farmer_of_another_consultant_cannot_be_changed(
    ask: Ask, spring: Service, mine: str
) -> None:
    # Else a roster could lead somebody's texts to another address.
    content = roster(
        {
            "farm": "New Place",
            "farmer": "Uma Holt",
            "phone": OTHER_PHONE,
            "email": "mallory@example.org",
            "alert_by": "email",
        }
    )
    preview = upload(ask, mine, content)
    assert "is enrolled beyond your clients too" in table_of(preview)
    [uma] = [one for one in spring.rows(Person) if one.name == "Uma Holt"]
    assert (uma.phone, uma.email, uma.alert_by) == (OTHER_PHONE, "", "text")


def test_farmer_who_samples_for_others_keeps_name_and_address(
    ask: Ask, spring: Service, mine: str
) -> None:
    # Else a new email would lead to a page that is none of the consultant's clients'.
    ada = {"sampler": "Ada Lindqvist", "sampler_email": "ada@example.org"}
    spring.enrol(
        farm("Plum Bottom", "North", email="ada@example.org", alert_by="both"),
        farm("Alder End", "Ridge", farmer="Otto Alder", phone=THIRD_PHONE),
        {**farm("Wide Acre", "Long", EVA, farmer="Uma Holt", phone=OTHER_PHONE), **ada},
    )
    row = {"email": "mallory@example.org", "alert_by": "both", "farmer": "Mallory"}
    preview = upload(ask, mine, roster(row))
    assert "is enrolled beyond your clients too" in table_of(preview)
    row = {"email": "ada@example.org", "alert_by": "both"}
    assert "left out" not in table_of(upload(ask, mine, roster(row)))


def test_area_shared_with_others_keeps_zone_and_sampling_days(
    ask: Ask, spring: Service, mine: str
) -> None:
    content = roster(
        {"field": "South", "time_zone": "America/Denver", "sampling_days": "tue"},
    )
    preview = upload(ask, mine, content)
    assert "its time zone stays America/Chicago" in preview.text
    confirm(ask, mine, preview)
    [area] = spring.rows(Area)
    assert (area.time_zone, area.sampling_days) == ("America/Chicago", "")


def test_upload_of_another_consultant_cannot_be_confirmed(
    ask: Ask, spring: Service, mine: str
) -> None:
    content = roster({"farm": "Stone Row", "farmer": "Ivo Brandt", "phone": THIRD_PHONE})
    preview = upload(ask, mine, content)
    eva = page_of(spring, Role.CONSULTANT, EVA)
    assert confirm(ask, eva, preview).status_code == 404
    for forged in ("", "1", "1.abc", token_in(preview)[:-1]):
        answer = ask("POST", f"{mine}/upload/confirm", data={"upload": forged})
        assert answer.status_code == 404
    assert "Stone Row" not in {one.name for one in spring.rows(Farm)}


# --- enrolling: what cannot be read


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "Choose a file first"),
        (b"%PDF-1.7", "is not a CSV but a PDF"),
        (b"farm,field\nA,B\n", "has no column"),
        (b"farm,field,area,farmer,phone\n", "has a header but no rows"),
    ],
)
def test_file_that_is_no_roster_is_refused_beside_the_field(
    ask: Ask, mine: str, content: bytes, sentence: str
) -> None:
    page = upload(ask, mine, content)
    assert page.status_code == 422
    assert sentence in unescape(page.text)
    assert 'id="roster-error"' in page.text


def test_form_without_a_file_is_refused(ask: Ask, mine: str) -> None:
    assert ask("POST", f"{mine}/upload", data={"roster": "text"}).status_code == 422


def test_too_many_rows_are_refused(ask: Ask, mine: str) -> None:
    rows = "".join(f"F,f{k},A,P,{THIRD_PHONE}\n" for k in range(MOST_ROWS + 1))
    page = upload(ask, mine, f"farm,field,area,farmer,phone\n{rows}".encode())
    assert page.status_code == 422
    assert f"more than the {MOST_ROWS}" in page.text


def test_too_large_a_file_is_refused(ask: Ask, mine: str) -> None:
    assert upload(ask, mine, b"x" * (MOST_BYTES + 64 * 1024)).status_code == 413


def test_formula_in_a_roster_is_left_out_and_shown_as_text(ask: Ask, mine: str) -> None:
    # OWASP, n.d., CSV injection.
    content = roster({"farm": "=cmd|'/c calc'!A1", "farmer": "Ivo Brandt", "phone": THIRD_PHONE})
    told = table_of(upload(ask, mine, content))
    assert "left out" in told
    assert "looks like a formula" in told


def test_both_marks_show_and_the_date_told_can_be_asked_for(
    ask: Ask, spring: Service, mine: str
) -> None:
    spring.morning(day(0))
    with spring.sessions.write() as session:
        plum = farm_id(spring, "Plum Bottom")
        whole = session.get_one(FarmOutlookRow, plum)
        assert whole.start_median is not None
        was = whole.start_median
        whole.start_median = was + timedelta(days=1)
        before = FarmSaid("Plum Bottom", was - timedelta(days=1), False, None, {})
        who = person_id(spring, PER)
        home = Home(area_id=1, farm_id=plum, field_id=1, person_id=who)
        session.add(build_message(home, "digest", kind="digest", status="accepted"))
        digests.put_sent(session, who, MONDAY, as_json({plum: before}), "digest")
    told = table_of(ask("GET", f"{mine}?only=moved"))
    assert f"was {was - timedelta(days=1):%a %b} {(was - timedelta(days=1)).day}" in told
    assert "in the last digest" in told
    assert "not the date told last" in told
    assert "Alder End" not in told
