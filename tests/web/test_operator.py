from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from html.parser import HTMLParser

import httpx
import pytest
from factories import PHONE, Home, Service, build_message, results_sheet

from alerts.domain.delivery import Status
from alerts.services.access import links
from alerts.services.access.links import Role
from alerts.services.operating import clock_check
from alerts.store import jobs, outbox
from alerts.store.inbound import HANDLING_FAILED
from alerts.store.tables import InboundText
from alerts.web.operator import STATES

Ask = Callable[..., httpx.Response]


@pytest.fixture
def page(web_service: Service) -> str:
    """Path of the operator's page."""
    return path_of(web_service, Role.OPERATOR)


def path_of(service: Service, role: Role, **whose: int) -> str:
    with service.sessions.write() as session:
        return links.link_path(
            session, service.parts.link_rules(), role, now=service.clock(), **whose
        )


def failed(service: Service, key: str = "start:1", *, unclear: bool = False) -> int:
    """A text of the enrolled farm that a gateway refused, or of which nothing is known."""
    home = Home(area_id=1, farm_id=1, field_id=1, person_id=1)
    with service.sessions.write() as session:
        row = outbox.enqueue(session, build_message(home, key))
        assert row is not None and row.id is not None
        for status in (Status.SENDING, Status.UNKNOWN if unclear else Status.FAILED):
            outbox.settle(session, row, status, service.clock(), code="30003", detail=f"at {PHONE}")
        return row.id


class _Buttons(HTMLParser):
    """Forms of a page: where they go and what they carry."""

    def __init__(self) -> None:
        super().__init__()
        self.forms: list[tuple[str, dict[str, str]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.forms.append((given["action"], {}))
        elif tag == "input" and self.forms:
            self.forms[-1][1][given["name"]] = given["value"]


def forms_of(answer: httpx.Response) -> list[tuple[str, dict[str, str]]]:
    parser = _Buttons()
    parser.feed(answer.text)
    return parser.forms


def press(ask: Ask, answer: httpx.Response, ending: str, **typed: str) -> httpx.Response:
    """Send the first form whose address ends so, and follow where it leads."""
    action, values = next(form for form in forms_of(answer) if form[0].endswith(ending))
    done = ask("POST", action, data={**values, **typed})
    if done.status_code == 303:
        return ask("GET", done.headers["location"])
    return done


def test_page_without_troubles_says_so(ask: Ask, page: str) -> None:
    """Before the ticker has run, only its jobs are missing."""
    answer = ask("GET", page)
    assert answer.status_code == 200
    assert "No message is on its way." in answer.text
    assert ask("GET", f"{page}/review").status_code == 200
    assert "Jobs that failed or are overdue" in answer.text
    assert ">Did not arrive<" not in answer.text
    assert answer.headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    "path", ["", "/message/1", "/retry", "/dismiss", "/dismiss-alike", "/dismiss-late", "/settle"]
)
def test_links_of_others_open_nothing(ask: Ask, web_service: Service, path: str) -> None:
    number = failed(web_service)
    farm = path_of(web_service, Role.FARM, farm_id=1).removeprefix("/farm/")
    method = "GET" if path in ("", "/message/1") else "POST"
    for token in (farm, "1.forged", "x"):
        answer = ask(method, f"/operator/{token}{path}", data={"message": str(number)})
        assert answer.status_code == 404
        assert PHONE not in answer.text
    assert [row.dismissed_at for row in web_service.messages()] == [None]


def test_link_taken_back_opens_nothing(ask: Ask, web_service: Service, page: str) -> None:
    with web_service.sessions.write() as session:
        links.revoke(session, 1, web_service.clock())
    assert ask("GET", page).status_code == 404


def test_failure_is_shown_with_reason_and_without_address(
    ask: Ask, web_service: Service, page: str
) -> None:
    failed(web_service)
    text = ask("GET", page).text
    assert "Refused: 30003 at …" in text
    assert "text to …43" in text
    assert PHONE not in text and PHONE[1:] not in text
    assert "a secret for the tests only" not in text


def test_text_that_went_by_email_is_listed_apart_and_leads_to_its_email(
    ask: Ask, web_service: Service, page: str
) -> None:
    number = failed(web_service)
    home = Home(area_id=1, farm_id=1, field_id=1, person_id=1)
    with web_service.sessions.write() as session:
        values = {"channel": "email", "to_address": "ada@example.org", "fallback_of": number}
        outbox.enqueue(session, build_message(home, "instead:1", **values))
    answer = ask("GET", page)
    assert ">Did not arrive<" not in answer.text
    assert 'href="#arrived"' not in answer.text
    assert "Did not arrive, sent by email instead" in answer.text
    assert "/retry" not in answer.text
    text = ask("GET", f"{page}/message/{number}").text
    assert "By email instead" in text and f"{page}/message/2" in text
    assert "Stands in for" in ask("GET", f"{page}/message/2").text
    after = press(ask, answer, "/dismiss")
    assert "sent by email instead" not in after.text


def test_failed_message_is_sent_again_by_its_button(
    ask: Ask, web_service: Service, page: str
) -> None:
    number = failed(web_service)
    after = press(ask, ask("GET", page), "/retry")
    assert "Message 2 says it again" in after.text
    assert ">Did not arrive<" not in after.text
    again = web_service.messages()[1]
    assert (again.resent_of, again.status) == (number, "queued")
    twice = ask("POST", f"{page}/retry", data={"message": str(number)})
    assert twice.status_code == 409
    assert "is not sent again: it was sent again already" in twice.text
    assert len(web_service.messages()) == 2


def test_message_of_unknown_outcome_has_no_button_and_no_way_around(
    ask: Ask, web_service: Service, page: str
) -> None:
    number = failed(web_service, unclear=True)
    answer = ask("GET", page)
    assert ">Outcome unknown<" in answer.text
    assert forms_of(answer) == []
    for action in ("retry", "dismiss"):
        done = ask("POST", f"{page}/{action}", data={"message": str(number)})
        assert done.status_code == 409
    assert len(web_service.messages()) == 1


def test_one_or_all_of_a_reason_are_taken_off_the_list(
    ask: Ask, web_service: Service, page: str
) -> None:
    for key in ("a", "b", "c"):
        failed(web_service, key)
    after = press(ask, ask("GET", page), "/dismiss")
    assert "Taken off the list: 1." in after.text
    assert after.text.count("Take off the list") == 2
    after = press(ask, after, "/dismiss-alike")
    assert "Taken off the list: 2." in after.text
    assert ">Did not arrive<" not in after.text
    assert all(row.dismissed_at for row in web_service.messages())


def test_late_receipts_are_taken_off_together(ask: Ask, web_service: Service, page: str) -> None:
    home = Home(area_id=1, farm_id=1, field_id=1, person_id=1)
    with web_service.sessions.write() as session:
        for key in ("a", "b"):
            row = outbox.enqueue(session, build_message(home, key))
            assert row is not None
            for status in (Status.SENDING, Status.ACCEPTED):
                outbox.settle(session, row, status, web_service.clock())
    web_service.later(hours=2)
    answer = ask("GET", page)
    assert "No receipt after an hour" in answer.text
    after = press(ask, answer, "/dismiss-late")
    assert "Taken off the list: 2." in after.text
    assert ">No receipt after an hour<" not in after.text


def test_opened_message_shows_its_address_and_steps(
    ask: Ask, web_service: Service, page: str
) -> None:
    number = failed(web_service)
    text = ask("GET", f"{page}/message/{number}").text
    assert PHONE in text
    assert "Cutcall Plum Bottom: start cutting about Thu May 13." in text
    assert text.index("waiting to be sent") < text.index("being sent") < text.rindex("refused")
    assert ask("GET", f"{page}/message/99").status_code == 404
    assert ask("GET", f"{page}/message/x").status_code in (404, 422)


def test_name_is_assigned_by_its_form_and_nothing_typed_is_lost(
    ask: Ask, web_service: Service, page: str
) -> None:
    web_service.take(results_sheet({"field": "Nrth <4>", "rfv": 200}), "monday.csv")
    answer = ask("GET", page)
    assert "Nrth &lt;4&gt;" in answer.text
    assert "1 result from monday.csv" in answer.text
    assert '<option value="Plum Bottom, North (Heron Flats)">' in answer.text
    wrong = press(ask, answer, "/assign", field="Plum Bottom, Nort")
    assert wrong.status_code == 409
    assert "No open field is called &#39;Plum Bottom, Nort&#39;" in wrong.text
    assert 'value="Plum Bottom, Nort"' in wrong.text
    after = press(ask, wrong, "/assign", field="Plum Bottom, North (Heron Flats)")
    assert "waiting results that flow on: 1." in after.text
    web_service.evaluate()
    assert web_service.line("North").results == 1


def test_document_is_settled_by_its_button(ask: Ask, web_service: Service, page: str) -> None:
    web_service.take(results_sheet({"ndf_pct_dm": 400}), "slip.csv")
    answer = ask("GET", page)
    assert "slip.csv" in answer.text
    assert re.search(r"Row 2, ndf_pct_dm: .*400", answer.text)
    after = press(ask, answer, "/settle")
    assert "Settled: 1." in after.text
    assert "slip.csv" not in after.text
    gone = ask("POST", f"{page}/settle", data={"document": "77"})
    assert gone.status_code == 409
    assert "No document 77" in gone.text


@pytest.mark.parametrize("value", ["", "x", "1; drop", "٣"])
def test_form_without_a_number_is_refused(ask: Ask, page: str, value: str) -> None:
    answer = ask("POST", f"{page}/retry", data={"message": value})
    assert answer.status_code == 409
    assert "does not say which message is meant" in answer.text


def test_words_after_an_action_are_ours_alone(ask: Ask, page: str) -> None:
    assert "hello" not in ask("GET", f"{page}?done=hello&n=3").text
    assert "Settled: 3." in ask("GET", f"{page}?done=settled&n=3").text


def test_jobs_stand_with_their_last_runs(ask: Ask, web_service: Service, page: str) -> None:
    from alerts.services.operating.job_runs import JobRuns

    runs = JobRuns(web_service.sessions, web_service.clock)
    for name in web_service.parts.schedule.ticks.model_dump():
        with runs.recorded(name.removesuffix("_s")):
            pass
    assert "Nothing waits for you." in ask("GET", page).text
    with pytest.raises(OSError, match="disk full"), runs.recorded("sending"):
        raise OSError("disk full")
    web_service.later(minutes=1)
    text = ask("GET", page).text
    assert "<b>failed</b>: OSError: disk full" in text
    assert "60 s ago" in text


def test_page_needs_no_style_and_no_script_but_the_shared_one(
    ask: Ask, web_service: Service, page: str
) -> None:
    failed(web_service)
    web_service.take(results_sheet({"field": "Nrth 4", "rfv": 200}), "monday.csv")
    text = ask("GET", page).text
    scripts = re.findall(r"<script[^>]*>.*?</script>", text, re.S)
    assert scripts == ['<script src="/static/focus.js" defer></script>']
    assert "style=" not in text and "<style" not in text
    assert ask("GET", "/static/operator.css").status_code == 200


def test_every_state_has_its_words() -> None:
    assert set(STATES) == set(Status)


def test_link_lapses(ask: Ask, web_service: Service, page: str) -> None:
    days = web_service.parts.schedule.links.operator_days
    web_service.clock.now += timedelta(days=days)
    assert ask("GET", page).status_code == 404


def test_text_that_broke_is_shown_with_its_reason_and_a_masked_sender(
    web_service: Service, ask: Ask, page: str
) -> None:
    with web_service.sessions.write() as session:
        session.add(
            InboundText(
                gateway_id="SM1",
                from_address=PHONE,
                to_address="+12025550100",
                body="cut <b>north</b>",
                received_at=web_service.clock(),
                handled_at=web_service.clock(),
                outcome=f"{HANDLING_FAILED}ValueError: no such day",
            )
        )
    said = ask("GET", page).text
    assert "Texts that could not be handled" in said
    assert "cut &lt;b&gt;north&lt;/b&gt;" in said
    assert "ValueError: no such day" in said
    assert PHONE not in said


def test_doubted_clock_is_shown_until_the_operator_says_that_it_is_right(
    web_service: Service, ask: Ask, page: str
) -> None:
    clock_check.trust(web_service.sessions, web_service.clock())
    web_service.later(days=3)
    said = ask("GET", page).text
    assert "The clock is doubted" in said
    assert "3.0 days later" in said
    assert "It shows 2027-05-13 12:00" in said
    answer = ask("POST", f"{page}/trust-clock", data={"all": "1"})
    assert answer.status_code == 303
    said = ask("GET", page).text
    assert "The clock is doubted" not in said
    assert "an operator said that the clock" in said


def test_run_of_a_job_that_lies_ahead_is_overdue(web_service: Service, ask: Ask, page: str) -> None:
    """Kept by a clock that ran ahead: nothing has run since."""
    with web_service.sessions.write() as session:
        ahead = web_service.clock() + timedelta(days=300)
        jobs.put_run(session, name="sending", started_at=ahead, ended_at=ahead, ok=True)
    row = ask("GET", page).text.split('<th scope="row">sending</th>')[1].split("</tr>")[0]
    assert "overdue" in row
