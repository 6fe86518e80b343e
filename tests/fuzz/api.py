"""Fuzzer of the API by its own description: every operation, with every kind of token and none.

No fault of ours, and each answer has a status, a content type and a form that the description
(/api/v1/openapi.json) promises.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any, TypeAlias, cast

import schemathesis
from advisers import JO, PER, person_id
from fuzz.documents import LABS, POSTS
from fuzz.material import TOKENS, changed_texts, tables, whole
from fuzz.pages import as_header
from fuzz.running import Fuzzer, Trial
from fuzz.world import World, opened_world
from hypothesis import strategies as st
from hypothesis.strategies import DrawFn, SearchStrategy
from schemathesis.checks import CHECKS, CheckFunction, load_all_checks
from schemathesis.core.result import Ok
from schemathesis.python import asgi

from alerts.services.access.tokens import make_token, revoke_token
from alerts.web.api import ROOT

Case: TypeAlias = schemathesis.Case[Any]

DESCRIPTION = f"{ROOT}/openapi.json"
CONFORMANCE = (
    "not_a_server_error",
    "status_code_conformance",
    "content_type_conformance",
    "response_headers_conformance",
    "response_schema_conformance",
)
ROWS = (
    "farm,field,sampled_on,lab_number,method,rfv\nPlum Bottom,North,2027-05-10,K-1,nir,205\n",
    "field,sampled_on,rfv\nNorth,2027-05-11,190\nNorth,2027-05-11,9999\n,2027-05-11,180\n",
)
ROLES = ("consultant", "lab", "sampler")
PROBLEM = "application/problem+json"


@dataclass(frozen=True, slots=True)
class Request:
    """A request of some program: what it asks, and as whom."""

    case: Case
    caller: str
    authorization: str


def tokens_of(world: World) -> dict[str, str]:
    """What may stand in the header, by who would send it."""
    service = world.service
    people = {"lab": None, "sampler": person_id(service, JO), "consultant": person_id(service, PER)}
    with service.sessions.write() as session:
        made = {
            role: make_token(session, role, role, who, "", (), None, service.clock())
            for role, who in people.items()
        }
        soon = service.clock() + timedelta(seconds=1)
        _, ended = make_token(session, "lab", "ended", None, "", (), soon, service.clock())
        row, gone = make_token(session, "lab", "gone", None, "", (), None, service.clock())
        session.flush()
        assert row.id is not None
        revoke_token(session, row.id, service.clock())
    service.later(seconds=2)
    said = {role: f"Bearer {secret}" for role, (_, secret) in made.items()}
    odd = {"ended": f"Bearer {ended}", "gone": f"Bearer {gone}", "wrong": "Bearer cutcall_wrong"}
    return {**said, **odd, "none": "", "another scheme": "Basic YTpi"}


@st.composite
def requests(
    draw: DrawFn,
    cases: SearchStrategy[Case],
    tokens: Mapping[str, str],
    ids: Mapping[str, str],
) -> Request:
    """What the description allows, and what it does not; often about what there is."""
    case = draw(cases)
    for name in list(case.path_parameters or {}):
        if draw(st.integers(0, 5)):
            case.path_parameters[name] = ids[name] if name == "slug" else int(ids[name])
    if case.path.endswith("/results") and case.method == "POST" and draw(st.booleans()):
        kind = draw(st.sampled_from(("text/csv", "text/plain", "application/json")))
        case.media_type = kind
        rows = (tables(ROWS) | tables(LABS) | changed_texts(ROWS)).map(whole)
        case.body = cast("Any", draw(st.sampled_from(POSTS) if kind.endswith("json") else rows))
    if case.path.endswith("/cuts") and draw(st.booleans()):
        case.body = {"cut_on": draw(st.sampled_from(("2027-05-11", "2027-05-10", "2027-05-14")))}
    caller = draw(st.sampled_from(ROLES) | st.sampled_from(ROLES) | st.sampled_from(sorted(tokens)))
    authorization = tokens[caller]
    if draw(st.integers(0, 15)) == 0:
        caller, authorization = "odd", as_header(draw(TOKENS)).decode("latin-1").strip()
    return Request(case, caller, authorization)


def checks() -> list[CheckFunction]:
    load_all_checks()
    return [cast("CheckFunction", CHECKS.get_one(name)) for name in CONFORMANCE]


@contextmanager
def _opened(folder: Path) -> Iterator[Trial[list[Request]]]:
    with opened_world(folder) as world:
        tokens = tokens_of(world)
        sent = world.ask(
            "POST",
            f"{ROOT}/results",
            content=ROWS[0].encode(),
            headers={"authorization": tokens["lab"], "content-type": "text/csv"},
        )
        ids = {**world.ids, "document_id": str(sent.json()["id"])}
        world.keep()
        schema = schemathesis.openapi.from_asgi(DESCRIPTION, world.app)
        operations = [found.ok() for found in schema.get_all_operations() if isinstance(found, Ok)]
        assert len(operations) >= 8, [operation.label for operation in operations]
        modes = [schemathesis.GenerationMode.POSITIVE, schemathesis.GenerationMode.NEGATIVE]
        cases = st.one_of(
            [one.as_strategy(generation_mode=mode) for one in operations for mode in modes]
        )
        conform = checks()
        with asgi.get_client(cast("Any", world.app)) as client:

            def check(several: Sequence[Request]) -> None:
                world.restore()
                for one in several:
                    headers = {"Authorization": one.authorization} if one.authorization else {}
                    response = one.case.call(session=client, headers=headers)
                    one.case.validate_response(response, checks=conform, headers=headers)
                    if response.status_code >= 400:
                        kind = response.headers.get("content-type", ["none"])[0]
                        assert kind == PROBLEM, f"a refusal came as {kind}"

            yield Trial(st.lists(requests(cases, tokens, ids), min_size=1, max_size=3), check)


FUZZERS: tuple[Fuzzer, ...] = (Fuzzer("api", _opened, 60),)
