from __future__ import annotations

import json
from collections.abc import Callable
from urllib.parse import urlsplit

import httpx
import pytest
from factories import Service, results_sheet
from pydantic import SecretStr

from alerts.services.unsubscribe import address_url
from alerts.store.tables import Document, OptOut
from alerts.web.app import report_json

Ask = Callable[..., httpx.Response]

ADDRESS = "ida@example.org"
ROWS = [
    {"lab": "kestrel", "lab_number": "K-1", "rfv": 205},
    {"lab": "kestrel", "lab_number": "K-2", "ndf_pct_dm": 400},
    {"lab": "kestrel", "lab_number": "K-3", "field": "Nrth", "rfv": 210},
]
AS_JSON = {
    "lab": "kestrel",
    "results": [
        {"farm": "Plum Bottom", "field": "North", "sampled_on": "2027-05-10", "lab_number": "K-1",
         "rfv": 205},
        {"farm": "Plum Bottom", "field": "North", "sampled_on": "2027-05-10", "lab_number": "K-2",
         "ndf_pct_dm": 400},
        {"farm": "Plum Bottom", "field": "Nrth", "sampled_on": "2027-05-10", "lab_number": "K-3",
         "rfv": 210},
    ],
}  # fmt: skip


def problem(response: httpx.Response, status: int) -> str:
    """The sentence of an error, after a look at its form (RFC 9457, section 3.1)."""
    assert response.status_code == status
    assert response.headers["content-type"] == "application/problem+json"
    said = response.json()
    assert set(said) == {"type", "title", "status", "detail"}
    assert said["type"] == "about:blank"
    assert said["status"] == status
    assert said["title"]
    assert "Traceback" not in said["detail"]
    return str(said["detail"])


# ------------------------------------------------------------------------- results


def test_posted_csv_is_read_row_by_row(post: Ask, web_service: Service) -> None:
    content = results_sheet(*ROWS)
    answer = post(content)
    assert answer.status_code == 200
    said = answer.json()
    assert (said["accepted"], said["unmatched"], len(said["rejected"])) == (1, 1, 1)
    assert (said["repeated"], said["corrected"]) == (0, 0)
    [rejected] = said["rejected"]
    assert rejected["row"] == 3
    assert rejected["column"] == "ndf_pct_dm"
    assert "400" in rejected["reason"]
    [stored] = [row for row in web_service.stored_results() if row.lab_number == "K-1"]
    assert stored.rfv == 205
    assert stored.field_id is not None


def test_posted_csv_gives_the_same_report_as_a_file_of_the_same_rows(
    post: Ask, web_service: Service
) -> None:
    # Each way gets rows of its own numbers, so that the second is not a repetition.
    posted = post(results_sheet(*ROWS)).json()
    other = results_sheet(*({**row, "lab_number": f"other-{row['lab_number']}"} for row in ROWS))
    from_file = report_json(web_service.take(other, "post"))
    assert posted["document"].startswith("post of 2027-05-10 ")
    assert posted["document"].endswith(" UTC")
    assert isinstance(posted["id"], int)
    own = {"document": "post", "id": posted["id"] + 1}
    assert from_file == {**posted, **own}


def test_posted_json_gives_the_same_results_as_csv(post: Ask, web_service: Service) -> None:
    as_csv = post(results_sheet(*ROWS)).json()
    as_json = post(json.dumps(AS_JSON), "application/json; charset=utf-8").json()
    assert as_csv["accepted"] == 1
    # The very same results in another form: known already, rejected for the same reason.
    assert as_json["accepted"] == as_json["corrected"] == as_json["unmatched"] == 0
    assert as_json["repeated"] == 2
    assert as_json["rejected"] == as_csv["rejected"]
    assert len(web_service.stored_results()) == 2


def test_posted_correction_replaces_the_result(post: Ask, web_service: Service) -> None:
    post(results_sheet({"lab": "kestrel", "lab_number": "K-1", "rfv": 205}))
    said = post(results_sheet({"lab": "kestrel", "lab_number": "K-1", "rfv": 215})).json()
    assert said["corrected"] == 1
    old, new = web_service.stored_results()
    assert old.replaced_by == new.id
    assert (old.rfv, new.rfv) == (205, 215)


def test_post_takes_the_laboratory_from_the_address(post: Ask, web_service: Service) -> None:
    said = post(results_sheet({"lab_number": "K-9", "rfv": 205}), params={"lab": "kestrel"})
    assert said.json()["accepted"] == 1
    [stored] = web_service.stored_results()
    assert stored.lab == "Kestrel Creek Forage Laboratory"


def test_post_makes_the_area_due_so_that_the_farmer_is_told(
    post: Ask, web_service: Service
) -> None:
    web_service.evaluate()
    post(results_sheet({"rfv": 205}))
    assert web_service.evaluate() == 1
    assert web_service.message("coming").start_on is not None


@pytest.mark.parametrize(
    ("headers", "authenticate"),
    [({}, "Bearer"), ({"authorization": "Bearer wrong"}, "Bearer"),
     ({"authorization": "Bearer "}, "Bearer"), ({"authorization": "Bearer tök"}, "Bearer")],
    ids=["missing", "wrong", "empty", "not ASCII"],
)  # fmt: skip
def test_post_without_the_token_is_refused(
    headers: dict[str, str], authenticate: str, ask: Ask, web_service: Service
) -> None:
    encoded = {name: value.encode() for name, value in headers.items()}
    answer = ask("POST", "/api/v1/results", content=results_sheet({"rfv": 205}), headers=encoded)
    assert "bearer token is missing or wrong" in problem(answer, 401)
    assert answer.headers["www-authenticate"] == authenticate  # RFC 9110, 11.6.1
    assert web_service.rows(Document) == []


def test_post_is_off_until_a_token_is_set(post: Ask, change_settings: Callable[..., None]) -> None:
    change_settings(intake_token=SecretStr(""))
    assert "set CUTCALL_INTAKE_TOKEN" in problem(post("field\n", token=""), 403)


def test_post_that_is_too_large_is_refused_and_not_stored(post: Ask, web_service: Service) -> None:
    one_mib = 1024 * 1024
    detail = problem(post(b"x" * (one_mib + 1)), 413)
    assert detail == "larger than 1 MiB; send less at once"
    assert web_service.rows(Document) == []
    row = results_sheet({"rfv": 205}).encode()
    blank = (b" " * 400 + b"\n") * 3000
    assert post(row + blank[: one_mib - len(row)]).json()["accepted"] == 1


@pytest.mark.parametrize(
    ("content", "kind", "words"),
    [
        (b"{", "application/json", "is not valid JSON"),
        (b"[1]", "application/json", "JSON of another form"),
        (b'{"results": []}', "application/json", "holds no results"),
        (b'{"results": [3]}', "application/json", "result 1 is not an object"),
        (b'{"results": [{"field": ["a"]}]}', "application/json", "is not a single value"),
        (b"[" * 100_000, "application/json", "is not valid JSON"),
        (b"a,b\n1,2\n", "application/pdf", "send text/csv or application/json"),
        (b"", "text/csv", "is empty"),
        (b"\x00\x01\x02" * 50, "text/csv", "binary data"),
        (b"field,sampled_on\nNorth,2027-05-10\n", "text/csv", "has no column for"),
    ],
)
def test_post_that_cannot_be_read_says_why_and_what_to_send(
    content: bytes, kind: str, words: str, post: Ask
) -> None:
    assert words in problem(post(content, kind), 422)


def test_post_that_cannot_be_read_is_kept_for_the_operator(post: Ask, web_service: Service) -> None:
    problem(post(b"nothing,known\n1,2\n"), 422)
    [kept] = web_service.rows(Document)
    assert kept.content == b"nothing,known\n1,2\n"
    assert "no header that is known" in kept.refusal


def test_post_as_json_that_names_an_unknown_field_waits_for_it(
    post: Ask, web_service: Service
) -> None:
    one = {"field": "Nobody's", "sampled_on": "2027-05-10", "rfv": 205}
    said = post(json.dumps({"results": [one]}), "application/json").json()
    assert said["unmatched"] == 1
    [stored] = web_service.stored_results()
    assert stored.field_id is None


# ---------------------------------------------------------------------------- stop


@pytest.fixture
def stop_path(web_service: Service) -> str:
    parts = web_service.parts
    return urlsplit(address_url(parts.settings.public_url, parts.secret, "email", ADDRESS)).path


def test_one_click_enters_the_address_into_the_ledger(
    stop_path: str, ask: Ask, web_service: Service
) -> None:
    # RFC 8058, section 3.2: a POST with this body, without cookies or login, and no redirect.
    answer = ask("POST", stop_path, data={"List-Unsubscribe": "One-Click"})
    assert answer.status_code == 200
    [entry] = web_service.rows(OptOut)
    assert (entry.channel, entry.address, entry.how) == ("email", ADDRESS, "link in an email")
    assert entry.at == web_service.clock()
    assert f"No more Cutcall messages will go to {ADDRESS}." in answer.text


def test_one_click_as_multipart_works_and_twice_changes_nothing(
    stop_path: str, ask: Ask, web_service: Service
) -> None:
    form = {"List-Unsubscribe": (None, "One-Click")}
    for _ in range(2):
        assert ask("POST", stop_path, files=form).status_code == 200
    assert len(web_service.rows(OptOut)) == 1


def test_following_the_link_stops_nobody_and_shows_a_button(
    stop_path: str, ask: Ask, web_service: Service
) -> None:
    # Link scanners follow links; one service lost 489 of 497 subscribers to them in two minutes.
    answer = ask("GET", stop_path)
    assert answer.status_code == 200
    assert web_service.rows(OptOut) == []
    assert '<form method="post"><button type="submit">' in answer.text
    assert ADDRESS in answer.text
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["referrer-policy"] == "no-referrer"


def test_link_that_was_changed_is_not_found(stop_path: str, ask: Ask, web_service: Service) -> None:
    said, _, signature = stop_path.removeprefix("/stop/").partition(".")
    other = address_url("https://x.example.org", "another secret", "email", ADDRESS)
    tampered = [
        f"/stop/{said}.{'0' * len(signature)}",
        f"/stop/{said[:-2]}AA.{signature}",
        f"/stop/{said}",
        f"/stop/{said}.",
        f"/stop/.{signature}",
        f"/stop/{said}.{signature[:-1]}",
        "/stop/nonsense",
        "/stop/%C3%A9.%C3%A9",
        urlsplit(other).path,
    ]
    for path in tampered:
        for method in ("GET", "POST"):
            answer = ask(method, path)
            assert answer.status_code == 404, path
            assert "copy all of it from the email" in answer.text
            assert "<button" not in answer.text
    assert web_service.rows(OptOut) == []


def test_address_is_escaped_on_the_page(ask: Ask, web_service: Service) -> None:
    parts = web_service.parts
    wild = '"<script>"@example.org'
    url = address_url(parts.settings.public_url, parts.secret, "email", wild)
    page = ask("GET", urlsplit(url).path).text
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_stopped_address_gets_no_further_email(
    stop_path: str, ask: Ask, web_service: Service
) -> None:
    web_service.enrol({"alert_by": "both", "email": ADDRESS})
    web_service.results({"rfv": 205})
    web_service.evaluate()
    assert {m.channel for m in web_service.messages("coming")} == {"sms", "email"}
    ask("POST", stop_path)
    web_service.send()
    assert len(web_service.sms.attempts) == 1
    assert web_service.mail.attempts == []


# --------------------------------------------------------------------------- other


def test_health_answers_without_a_token(ask: Ask) -> None:
    assert ask("GET", "/healthz").json() == {"status": "ok"}


@pytest.mark.parametrize("path", ["/docs", "/redoc", "/", "/api/v1"])
def test_nothing_else_is_there(path: str, ask: Ask) -> None:
    assert ask("GET", path).status_code == 404


def test_results_cannot_be_listed(ask: Ask) -> None:
    assert ask("GET", "/api/v1/results").status_code == 405
