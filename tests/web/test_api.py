"""The API: tokens, results, farms and outlooks, cuts, areas, and its own description."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import httpx
import pytest
from factories import AREA, Service, day, results_sheet
from fastapi.routing import APIRoute

from alerts.services.access.tokens import revoke_token
from alerts.services.results.accept_results import finish_unread
from alerts.services.results.read_documents import report_json
from alerts.store.tables import ApiRequest, ApiToken, Cut, Document, FarmField, Person
from alerts.web.api_routes import router

Ask = Callable[..., httpx.Response]
MakeToken = Callable[..., str]

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
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    said = response.json()
    assert set(said) - {"errors"} == {"type", "title", "status", "detail"}
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
    assert " UTC by the lab's program (" in posted["document"]
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


# -------------------------------------------------------------------------- tokens


@pytest.mark.parametrize(
    "headers",
    [{}, {"authorization": "Bearer wrong"}, {"authorization": "Bearer cutcall_wrong"},
     {"authorization": "Bearer "}, {"authorization": "Basic abc"},
     {"authorization": "Bearer tök"}],
    ids=["missing", "wrong", "of our form", "empty", "other scheme", "not ASCII"],
)  # fmt: skip
def test_post_without_a_token_is_refused(
    headers: dict[str, str], ask: Ask, web_service: Service, lab_token: str
) -> None:
    encoded = {name: value.encode() for name, value in headers.items()}
    answer = ask("POST", "/api/v1/results", content=results_sheet({"rfv": 205}), headers=encoded)
    assert "bearer token is missing or wrong" in problem(answer, 401)
    assert answer.headers["www-authenticate"] == "Bearer"  # RFC 9110, 11.6.1
    assert web_service.rows(Document) == []


def test_token_that_was_revoked_or_has_expired_is_refused(
    post: Ask, new_token: MakeToken, web_service: Service
) -> None:
    short = new_token(expires_at=web_service.clock() + timedelta(days=1))
    assert post(results_sheet({"rfv": 205}), token=short).status_code == 200
    web_service.later(days=1)
    assert "has expired" in problem(post("x", token=short), 401)
    gone = new_token()
    with web_service.sessions.write() as session:
        revoke_token(session, 3, web_service.clock())
    assert "was revoked" in problem(post("x", token=gone), 401)


def test_token_without_the_scope_is_told_which_it_needs(post: Ask, new_token: MakeToken) -> None:
    answer = post("x", token=new_token("lab", scopes=["farms:read"]))
    assert "needs the scope results:write" in problem(answer, 403)
    assert answer.headers["www-authenticate"] == 'Bearer error="insufficient_scope"'


def test_use_of_a_token_is_noted_once_an_hour(post: Ask, web_service: Service) -> None:
    first = web_service.clock()
    post(results_sheet({"rfv": 205}))
    web_service.later(minutes=59)
    post(results_sheet({"rfv": 206}))
    assert web_service.rows(ApiToken)[0].last_used_at == first
    later = web_service.later(minutes=2)
    post(results_sheet({"rfv": 207}))
    assert web_service.rows(ApiToken)[0].last_used_at == later


def test_secret_is_nowhere_in_the_database(lab_token: str, web_service: Service) -> None:
    [token] = web_service.rows(ApiToken)
    assert len(lab_token) > 43  # 256 bits in base 64
    assert lab_token.startswith(token.start)
    assert len(token.start) == len("cutcall_") + 6
    assert all(lab_token[8:] not in str(value) for value in token.model_dump().values())


# ---------------------------------------------------------------------- two samplers

OTHER_FARM = {
    "farm": "Brook Farm", "field": "East", "farmer": "Bo Ek", "phone": "+12025550146",
    "sampler": "Una Rask", "sampler_email": "una@example.org",
}  # fmt: skip
OWN_FARM = {"sampler": "Jo Fenwick", "sampler_email": "jo@example.org"}


@pytest.fixture
def samplers(web_service: Service, new_token: MakeToken) -> dict[str, str]:
    """Two samplers with a farm each, both with the consultant Marta, and their tokens."""
    marta = {"consultant": "Marta Quill", "consultant_email": "marta@example.org"}
    web_service.enrol(OWN_FARM | marta, OTHER_FARM | marta)
    ids = {person.name: person.id for person in web_service.rows(Person)}
    return {
        "jo": new_token("sampler", person_id=ids["Jo Fenwick"]),
        "una": new_token("sampler", person_id=ids["Una Rask"]),
        "marta": new_token("consultant", person_id=ids["Marta Quill"]),
    }


def test_sampler_sends_results_of_own_farms_only(
    post: Ask, samplers: dict[str, str], web_service: Service
) -> None:
    rows = results_sheet({"rfv": 205}, {"farm": "Brook Farm", "field": "East", "rfv": 190})
    said = post(rows, token=samplers["jo"]).json()
    assert (said["accepted"], said["unmatched"]) == (1, 0)
    [rejected] = said["rejected"]
    assert rejected["row"] == 3
    assert "East of Brook Farm is no field of the farms this token is for" in rejected["reason"]
    assert len(web_service.stored_results()) == 1


def test_laboratory_sends_results_of_any_field_after_a_sampler_sent_the_same_bytes(
    post: Ask, samplers: dict[str, str]
) -> None:
    rows = results_sheet({"rfv": 205}, {"farm": "Brook Farm", "field": "East", "rfv": 190})
    post(rows, token=samplers["jo"])
    said = post(rows).json()
    assert (said["accepted"], said["repeated"], said["rejected"]) == (1, 1, [])


@pytest.mark.parametrize(
    ("farm", "field"),
    [("Brook Farm", "East"), ("No Such Farm", "East"), ("", "East"), ("", "Nowhere")],
)
def test_refusal_does_not_tell_whether_a_field_of_somebody_else_exists(
    farm: str, field: str, post: Ask, samplers: dict[str, str], web_service: Service
) -> None:
    said = post(results_sheet({"farm": farm, "field": field, "rfv": 1e2}), token=samplers["jo"])
    [rejected] = said.json()["rejected"]
    named = f"{field} of {farm}" if farm else field
    assert rejected["reason"].startswith(f"{named} is no field of the farms this token is for")
    assert web_service.stored_results() == []


def test_field_a_sampler_misspells_on_an_own_farm_waits_for_its_name(
    post: Ask, samplers: dict[str, str]
) -> None:
    said = post(results_sheet({"field": "Nrth", "rfv": 205}), token=samplers["jo"]).json()
    assert (said["unmatched"], said["rejected"]) == (1, [])


def test_waiting_result_of_a_sampler_never_flows_to_another_farm_of_the_name(
    post: Ask, samplers: dict[str, str], web_service: Service
) -> None:
    post(results_sheet({"field": "Far End", "rfv": 205}), token=samplers["jo"])
    web_service.enrol(
        OTHER_FARM | {"farm": "Plum Bottom", "field": "Far End", "area": "Otter Bend"}
    )
    [stored] = web_service.stored_results()
    assert stored.field_id is None
    web_service.enrol(OWN_FARM | {"field": "Far End"})  # their own at last, and the only one open
    assert web_service.stored_results()[0].field_id is None  # two farms bear the names now


def test_sampler_cannot_replace_a_laboratorys_result_of_another_farm(
    post: Ask, samplers: dict[str, str], web_service: Service
) -> None:
    number = {"lab": "kestrel", "lab_number": "K-1"}
    post(results_sheet({**number, "farm": "Brook Farm", "field": "East", "rfv": 190}))
    said = post(results_sheet({**number, "rfv": 100}), token=samplers["jo"]).json()
    assert (said["accepted"], said["corrected"]) == (1, 0)
    theirs, own = web_service.stored_results()
    assert theirs.replaced_by is None
    assert own.version == 2


def test_document_of_a_sampler_that_a_crash_left_unread_is_held_to_the_same_bounds(
    post: Ask, samplers: dict[str, str], web_service: Service
) -> None:
    rows = results_sheet({"farm": "Brook Farm", "field": "East", "rfv": 190})
    post(rows, token=samplers["jo"])
    with web_service.sessions.write() as session:
        session.get_one(Document, 1).read_at = None
    [report] = finish_unread(
        web_service.sessions, web_service.parts.intake_rules(), web_service.clock()
    )
    assert len(report.rejected) == 1
    assert web_service.stored_results() == []


def test_token_of_a_laboratory_names_it(
    post: Ask, new_token: MakeToken, web_service: Service
) -> None:
    token = new_token(lab="kestrel")
    post(results_sheet({"lab_number": "K-9", "rfv": 205}), token=token)
    [stored] = web_service.stored_results()
    assert stored.lab == "Kestrel Creek Forage Laboratory"
    other = post(results_sheet({"rfv": 205}), token=token, params={"lab": "ouzel"})
    assert "this token is for results of kestrel" in problem(other, 422)


# -------------------------------------------------------------------- sending it again


def test_repeated_request_under_a_key_gets_the_same_answer(post: Ask, web_service: Service) -> None:
    content = results_sheet({"rfv": 205})
    first = post(content, idempotency_key='"one"')
    web_service.later(days=6)
    again = post(content, idempotency_key="one")  # with the quotes of RFC 9651 or without
    assert first.json()["accepted"] == 1
    assert (again.status_code, again.json()) == (first.status_code, first.json())
    assert len(web_service.stored_results()) == 1
    assert len(web_service.rows(Document)) == 1


def test_without_a_key_a_repeated_document_changes_nothing(post: Ask, web_service: Service) -> None:
    for accepted, repeated in ((1, 0), (0, 1)):
        said = post(results_sheet({"rfv": 205})).json()
        assert (said["accepted"], said["repeated"]) == (accepted, repeated)
    assert len(web_service.stored_results()) == 1


def test_key_used_for_something_else_is_a_problem(post: Ask, web_service: Service) -> None:
    post(results_sheet({"rfv": 205}), idempotency_key="one")
    answer = post(results_sheet({"rfv": 206}), idempotency_key="one")
    assert "was used for another request" in problem(answer, 422)
    assert len(web_service.stored_results()) == 1


def test_key_of_one_token_is_not_that_of_another(
    post: Ask, new_token: MakeToken, web_service: Service
) -> None:
    post(results_sheet({"rfv": 205}), idempotency_key="one")
    said = post(results_sheet({"rfv": 206}), idempotency_key="one", token=new_token())
    assert said.status_code == 200


def test_key_is_forgotten_after_a_week(post: Ask, web_service: Service) -> None:
    post(results_sheet({"rfv": 205}), idempotency_key="one")
    web_service.later(days=7, seconds=1)
    assert post(results_sheet({"rfv": 206}), idempotency_key="one").status_code == 200
    assert len(web_service.rows(ApiRequest)) == 1


def test_refusal_is_not_kept_under_a_key(post: Ask, web_service: Service) -> None:
    problem(post("nothing,known\n1,2\n", idempotency_key="one"), 422)
    assert post(results_sheet({"rfv": 205}), idempotency_key="one").status_code == 200


@pytest.mark.parametrize("key", ["", '""', "x" * 201, "t\xf6k"])
def test_key_that_is_none_is_a_problem(key: str, ask: Ask, lab_token: str) -> None:
    headers = {
        "content-type": b"text/csv",
        "authorization": f"Bearer {lab_token}".encode(),
        "idempotency-key": key.encode("latin-1"),
    }
    answer = ask("POST", "/api/v1/results", content=results_sheet({"rfv": 205}), headers=headers)
    assert "printable ASCII characters" in problem(answer, 400)


# ------------------------------------------------------------------ what became of it


def test_sender_sees_what_became_of_a_document(
    post: Ask, ask: Ask, lab_token: str, web_service: Service
) -> None:
    number = post(results_sheet(*ROWS)).json()["id"]
    path = f"/api/v1/documents/{number}"
    said = ask("GET", path, headers=bearer(lab_token)).json()
    assert [(one["row"], one["is_matched"]) for one in said["results"]] == [(2, True), (4, False)]
    assert [one["row"] for one in said["rejected"]] == [3]
    web_service.enrol({"field": "Nrth"})
    said = ask("GET", path, headers=bearer(lab_token)).json()
    assert [one["is_matched"] for one in said["results"]] == [True, True]


def test_document_of_another_sender_does_not_exist(
    post: Ask, ask: Ask, samplers: dict[str, str], new_token: MakeToken
) -> None:
    number = post(results_sheet({"rfv": 205}), token=samplers["jo"]).json()["id"]
    for token in (samplers["una"], new_token(), new_token(lab="kestrel")):
        answer = ask("GET", f"/api/v1/documents/{number}", headers=bearer(token))
        assert "no such document" in problem(answer, 404)


def test_document_is_seen_with_a_newer_token_of_the_same_sender(
    post: Ask, ask: Ask, new_token: MakeToken
) -> None:
    number = post(results_sheet({"rfv": 205}), token=new_token(lab="kestrel")).json()["id"]
    answer = ask("GET", f"/api/v1/documents/{number}", headers=bearer(new_token(lab="kestrel")))
    assert answer.json()["id"] == number


# ------------------------------------------------------------------ farms and outlooks


def bearer(token: str) -> dict[str, str]:
    return {"authorization": f"Bearer {token}"}


@pytest.fixture
def known(web_service: Service, samplers: dict[str, str], post: Ask) -> dict[str, str]:
    """Two farms with a result each, evaluated and told."""
    post(results_sheet({"rfv": 205}, {"farm": "Brook Farm", "field": "East", "rfv": 230}))
    web_service.evaluate()
    web_service.send()
    return samplers


def test_consultant_reads_own_farms(ask: Ask, known: dict[str, str], web_service: Service) -> None:
    web_service.enrol({"farm": "Far Off", "phone": "+12025550150", "farmer": "Ny Man"})
    said = ask("GET", "/api/v1/farms", headers=bearer(known["marta"])).json()
    assert [farm["name"] for farm in said["items"]] == ["Plum Bottom", "Brook Farm"]
    assert said["next"] is None
    [plum, _] = said["items"]
    assert (plum["feed_target"], plum["handling_loss"], plum["standing_target"]) == (160, 25, 185)
    assert [field["name"] for field in plum["fields"]] == ["North"]


def test_pages_follow_one_another_by_cursor(ask: Ask, known: dict[str, str]) -> None:
    for path in ("/api/v1/farms", "/api/v1/outlooks"):
        names, cursor, pages = [], "", 0
        while cursor is not None:
            said = ask(
                "GET", path, headers=bearer(known["marta"]),
                params={"limit": 1, "cursor": cursor},
            ).json()  # fmt: skip
            names += [item.get("farm") or item["name"] for item in said["items"]]
            cursor, pages = said["next"], pages + 1
        assert (names, pages) == (["Plum Bottom", "Brook Farm"], 2)


def test_sampler_sees_only_outlooks_of_own_farms(ask: Ask, known: dict[str, str]) -> None:
    for who, farm in (("jo", "Plum Bottom"), ("una", "Brook Farm")):
        said = ask("GET", "/api/v1/outlooks", headers=bearer(known[who])).json()
        assert [item["farm"] for item in said["items"]] == [farm]


def test_laboratory_sees_no_farm(ask: Ask, known: dict[str, str], new_token: MakeToken) -> None:
    token = new_token(scopes=["farms:read", "outlooks:read", "cuts:write"])
    for path in ("/api/v1/farms", "/api/v1/outlooks"):
        assert ask("GET", path, headers=bearer(token)).json()["items"] == []
    problem(ask("GET", "/api/v1/farms/1/outlook", headers=bearer(token)), 404)


def test_outlook_is_the_one_that_was_told(
    ask: Ask, known: dict[str, str], web_service: Service
) -> None:
    said = ask("GET", "/api/v1/farms/1/outlook", headers=bearer(known["jo"])).json()
    line = web_service.line("North")
    assert said["start"]["median"] == str(line.farm_start_median)
    assert said["told"]["start_on"] == str(line.told)
    [field] = said["fields"]
    assert field["last_result"] == {
        "sampled_on": "2027-05-10", "value": 205, "index": "rfv", "stands_in": "",
    }  # fmt: skip
    assert len(field["days"]) == 15
    assert field["days"][0]["low"] < field["days"][0]["median"] < field["days"][0]["high"]


def test_outlook_of_a_farm_of_somebody_else_does_not_exist(ask: Ask, known: dict[str, str]) -> None:
    for farm in (2, 99):
        answer = ask("GET", f"/api/v1/farms/{farm}/outlook", headers=bearer(known["jo"]))
        assert "no such farm" in problem(answer, 404)


def test_outlooks_are_filtered(ask: Ask, known: dict[str, str], web_service: Service) -> None:
    median = web_service.line("North").start_median
    assert median is not None
    after = (median + timedelta(days=1)).isoformat()
    for params, farms in (
        ({"farm": "2"}, ["Brook Farm"]),
        ({"area": AREA.upper()}, ["Plum Bottom", "Brook Farm"]),
        ({"area": "Elsewhere"}, []),
        ({"cutting": "2"}, []),
        ({"start_to": median.isoformat()}, ["Plum Bottom"]),
        ({"start_from": after}, ["Brook Farm"]),
    ):
        answer = ask("GET", "/api/v1/outlooks", headers=bearer(known["marta"]), params=params)
        assert [item["farm"] for item in answer.json()["items"]] == farms, params


@pytest.mark.parametrize("cursor", ["!", "eA", "LTE", "OTk5OTk5OTk5OTk5OTk5", "%FF", "тест"])
def test_cursor_of_our_own_making_only(cursor: str, ask: Ask, known: dict[str, str]) -> None:
    answer = ask("GET", "/api/v1/farms", headers=bearer(known["marta"]), params={"cursor": cursor})
    assert "cursor: use the `next`" in problem(answer, 422)


# ------------------------------------------------------------------------------- cuts


def cut(
    ask: Ask, token: str, on: date, path: str = "/api/v1/farms/1/fields/1/cuts", **headers: str
) -> httpx.Response:
    return ask(
        "POST", path, json={"cut_on": on.isoformat()},
        headers=bearer(token) | {name.replace("_", "-"): value for name, value in headers.items()},
    )  # fmt: skip


def test_consultant_records_a_cut(ask: Ask, known: dict[str, str], web_service: Service) -> None:
    answer = cut(ask, known["marta"], day(0))
    assert answer.status_code == 201
    assert answer.json() == {"field_id": 1, "cutting": 1, "cut_on": "2027-05-10"}
    assert web_service.rows(FarmField)[0].cutting == 2


def test_cut_that_was_recorded_already_is_a_conflict_unless_its_key_is_the_same(
    ask: Ask, known: dict[str, str], web_service: Service
) -> None:
    first = cut(ask, known["marta"], day(0), idempotency_key="k")
    again = cut(ask, known["marta"], day(0), idempotency_key="k")
    assert (again.status_code, again.json()) == (201, first.json())
    assert "already cut on 2027-05-10" in problem(cut(ask, known["marta"], day(0)), 409)
    other = cut(ask, known["marta"], day(-1), idempotency_key="k")
    assert "was used for another request" in problem(other, 422)
    assert len(web_service.rows(Cut)) == 1


def test_cut_needs_scope_and_own_field(
    ask: Ask, known: dict[str, str], new_token: MakeToken, web_service: Service
) -> None:
    assert "cuts:write" in problem(cut(ask, known["jo"], day(0)), 403)
    jo = next(p.id for p in web_service.rows(Person) if p.name == "Jo Fenwick")
    token = new_token("sampler", person_id=jo, scopes=["cuts:write"])
    for path in (
        "/api/v1/farms/2/fields/2/cuts",
        "/api/v1/farms/1/fields/2/cuts",
        "/api/v1/farms/2/fields/1/cuts",
        "/api/v1/farms/9/fields/9/cuts",
    ):
        assert "no such field" in problem(cut(ask, token, day(0), path), 404)
    assert web_service.rows(Cut) == []


def test_cut_of_an_impossible_day_says_why(ask: Ask, known: dict[str, str]) -> None:
    assert "has not come yet" in problem(cut(ask, known["marta"], day(30)), 409)
    path = "/api/v1/farms/1/fields/1/cuts"
    headers = bearer(known["marta"])
    for body, words in (
        ({"cut_on": "soon"}, "/cut_on: "),
        ({}, "/cut_on: field required"),
        ({"cut_on": "2027-05-10", "by": "me"}, "/by: "),
        ([], "the body: "),
    ):
        answer = ask("POST", path, json=body, headers=headers)
        assert words in problem(answer, 422)
        assert answer.json()["errors"]
    broken = ask("POST", path, content=b"{", headers=headers | {"content-type": "application/json"})
    problem(broken, 422)
    form = ask("POST", path, data={"cut_on": "2027-05-10"}, headers=headers)
    assert "send application/json" in problem(form, 415)
    large = ask("POST", path, json={"cut_on": "x" * 70_000}, headers=headers)
    assert "larger than 64 KiB" in problem(large, 413)


# ----------------------------------------------------------------------------- problems


def test_body_of_another_type_is_a_problem(post: Ask, web_service: Service) -> None:
    for kind in ("application/pdf", "", "text/html", "application/problem+json"):
        assert "send text/csv or application/json" in problem(post(b"a,b\n1,2\n", kind), 415)
    assert web_service.rows(Document) == []


def test_body_that_says_it_is_too_large_is_not_waited_for(post: Ask) -> None:
    problem(post(b"x", content_length=str(1024 * 1024 + 1)), 413)


@pytest.mark.parametrize(
    "path", ["/api/v1/nothing", "/api/v1/", "/api/v1", "/api/v2/results", "/api/"]
)
def test_unknown_address_is_a_problem(path: str, ask: Ask) -> None:
    problem(ask("GET", path), 404)


def test_other_method_is_a_problem_that_names_the_right_one(ask: Ask) -> None:
    answer = ask("GET", "/api/v1/results")
    assert "it takes POST" in problem(answer, 405)
    assert answer.headers["allow"] == "POST"  # RFC 9110, 15.5.6
    problem(ask("DELETE", "/api/v1/farms"), 405)


@pytest.mark.parametrize(
    ("path", "where"),
    [
        ("/api/v1/farms?limit=0", "limit"),
        ("/api/v1/farms?limit=201", "limit"),
        ("/api/v1/outlooks?start_to=soon", "start_to"),
        ("/api/v1/outlooks?farm=99999999999", "farm"),
        ("/api/v1/farms/x/outlook", "farm_id"),
        ("/api/v1/farms/99999999999999999999/outlook", "farm_id"),
        ("/api/v1/documents/0", "document_id"),
    ],
)
def test_value_that_cannot_be_is_named(
    path: str,
    where: str,
    ask: Ask,
    known: dict[str, str],
    new_token: MakeToken,
    web_service: Service,
) -> None:
    marta = next(p.id for p in web_service.rows(Person) if p.name == "Marta Quill")
    token = new_token(
        "consultant", person_id=marta, scopes=["farms:read", "outlooks:read", "results:write"]
    )
    answer = ask("GET", path, headers=bearer(token))
    assert problem(answer, 422).startswith(f"{where}: ")
    assert answer.json()["errors"][0]["where"] == where


def test_fault_of_our_own_is_a_problem_that_gives_nothing_away(
    post: Ask, ask: Ask, web_service: Service, lab_token: str
) -> None:
    web_service.parts = replace(web_service.parts, lab_maps=None)  # type: ignore[arg-type]
    answer = ask(
        "POST", "/api/v1/results", raises=False, content=results_sheet({"rfv": 205}),
        headers=bearer(lab_token) | {"content-type": "text/csv"},
    )  # fmt: skip
    assert "went wrong here" in problem(answer, 500)
    assert "lab_maps" not in answer.text


# --------------------------------------------------------------------------- described


@pytest.fixture
def described(ask: Ask) -> dict[str, Any]:
    answer = ask("GET", "/api/v1/openapi.json")
    assert answer.status_code == 200
    said: dict[str, Any] = answer.json()
    return said


def operations(described: dict[str, Any]) -> dict[tuple[str, str], dict[str, Any]]:
    return {
        (method.upper(), path): operation
        for path, item in described["paths"].items()
        for method, operation in item.items()
    }


def test_every_route_is_described_and_nothing_else(described: dict[str, Any]) -> None:
    routes = {
        (method, route.path)
        for route in router.routes
        if isinstance(route, APIRoute)
        for method in route.methods
    }
    assert set(operations(described)) == routes
    assert routes == {
        ("POST", "/results"),
        ("GET", "/documents/{document_id}"),
        ("GET", "/farms"),
        ("GET", "/outlooks"),
        ("GET", "/farms/{farm_id}/outlook"),
        ("POST", "/farms/{farm_id}/fields/{field_id}/cuts"),
        ("GET", "/areas"),
        ("GET", "/areas/{slug}/results"),
    }
    assert described["openapi"].startswith("3.1")
    assert described["servers"] == [{"url": "https://cutcall.example.org/api/v1"}]


def test_every_route_says_what_it_is_and_who_may(described: dict[str, Any]) -> None:
    for (method, path), operation in operations(described).items():
        assert operation["summary"], path
        assert bool(operation.get("security")) == (not path.startswith("/areas")), path
        answers = operation["responses"]
        good = [status for status in answers if status.startswith("2")]
        [status] = good
        schema = answers[status]["content"]["application/json"]["schema"]
        assert schema["$ref"].startswith("#/components/schemas/"), (method, path)
        for name in operation.get("parameters", ()):
            assert name["name"] in path or name.get("description"), (path, name["name"])
    assert described["components"]["securitySchemes"] == {
        "token": {
            "type": "http", "scheme": "bearer",
            "description": "A token from the operator: cutcall_...",
        }
    }  # fmt: skip


def test_every_problem_is_listed_as_one(described: dict[str, Any]) -> None:
    problem_of = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
    for (method, path), operation in operations(described).items():
        errors = {s: a for s, a in operation["responses"].items() if s >= "400"}
        assert all(answer["content"] == problem_of for answer in errors.values()), path
        expected = {"500"}
        if operation.get("security"):
            expected |= {"401", "403"}
        if operation.get("parameters"):
            expected |= {"422"}
        if "{" in path:
            expected |= {"404"}
        if method == "POST":
            expected |= {"400", "408", "413", "415"}
        if path.endswith("/cuts"):
            expected |= {"409"}
        assert set(errors) == expected, (method, path)


def test_every_reference_of_the_description_leads_somewhere(described: dict[str, Any]) -> None:
    schemas = described["components"]["schemas"]
    named = set(re.findall(r'"#/components/schemas/([^"]+)"', json.dumps(described)))
    assert named <= set(schemas)
    assert {"Problem", "ResultsIn", "ResultIn", "Farm", "CutIn"} <= set(schemas)
    assert "HTTPValidationError" not in schemas
    assert schemas["Farm"]["properties"]["harvest_days"]["description"].endswith("[d]")


def test_answers_hold_what_the_description_says(
    described: dict[str, Any], ask: Ask, known: dict[str, str]
) -> None:
    for path, model in (
        ("/farms", "FarmPage"),
        ("/outlooks", "OutlookPage"),
        ("/farms/1/outlook", "FarmOutlook"),
    ):
        scopes = known["marta"]
        said = ask("GET", f"/api/v1{path}", headers=bearer(scopes)).json()
        assert set(said) == set(described["components"]["schemas"][model]["properties"])


def test_examples_of_the_description_are_taken(
    described: dict[str, Any], post: Ask, web_service: Service
) -> None:
    content = described["paths"]["/results"]["post"]["requestBody"]["content"]
    as_csv = post(content["text/csv"]["example"]).json()
    assert (as_csv["accepted"], as_csv["rejected"]) == (1, [])
    as_json = post(json.dumps(content["application/json"]["example"]), "application/json").json()
    assert as_json["rejected"] == []


# ----------------------------------------------------------------------------- areas


def test_area_results_need_no_token(ask: Ask, known: dict[str, str], web_service: Service) -> None:
    assert ask("GET", "/api/v1/areas").json() == {"items": []}
    with web_service.sessions.write() as session:
        session.get_one(FarmField, 1).public_name = "Valley road"
    assert ask("GET", "/api/v1/areas").json() == {
        "items": [{"slug": "heron-flats", "name": AREA, "fields": 1}]
    }
    answer = ask("GET", "/api/v1/areas/heron-flats/results")
    [one] = answer.json()["results"]
    assert (one["field"], one["rfv"], one["method"]) == ("Valley road", 205, "nir")
    named = {"if-none-match": answer.headers["etag"]}
    again = ask("GET", "/api/v1/areas/heron-flats/results", headers=named)
    assert (again.status_code, again.content) == (304, b"")
    problem(ask("GET", "/api/v1/areas/nowhere/results"), 404)
    wrong = ask("GET", "/api/v1/areas/heron-flats/results?method=guess")
    assert problem(wrong, 422).startswith("method: ")
    none = ask("GET", "/api/v1/areas/heron-flats/results?from=2027-06-01")
    assert none.json()["results"] == []
