"""Nobody reaches another's farm: every route there is, asked with another's ids, links and tokens.

The test goes by the application's own list of routes. A new route without a rule here fails.
Two farms of the same area: "near" is the visitor's, "far" is somebody else's with names that stand
nowhere else. Whatever the near visitor asks for about the far farm is answered as if there were
no such thing, changes nothing, and never says one of its names.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import time, timedelta
from io import BytesIO

import httpx
import pytest
from factories import MONDAY, Service, day
from fastapi import APIRouter, FastAPI
from sqlmodel import SQLModel, select
from starlette.routing import Mount, Route

from alerts.services.access.links import Role, link_path, open_link, revoke
from alerts.services.access.tokens import make_token
from alerts.store.tables import (
    AccessLink,
    ApiToken,
    Farm,
    FarmField,
    LabResult,
    OutboxMessage,
    Person,
)
from alerts.web.app import build_app

PUBLIC = {
    *("/", "/static", "/healthz", "/readyz", "/signup", "/signup/sent", "/link"),
    *("/areas", "/areas/{slug}", "/areas/{slug}.csv", "/areas/{slug}.json"),
    *("/areas/{slug}.atom", "/areas/{slug}/chart.svg"),
    *("/api/v1", "/api/v1/openapi.json", "/api/v1/areas", "/api/v1/areas/{slug}/results"),
}
"""Anybody may ask; they show nothing private (tests of their own see to that)."""

OWN_PROOF = {
    "/metrics": "tests/web/test_operating.py",
    "/stop/{token}": "tests/services/delivery/test_unsubscribe.py",
    "/signup/confirm/{token}": "tests/services/people/test_sign_up.py",
    "/webhooks/sms/inbound": "tests/web/test_webhooks.py",
    "/webhooks/sms/status": "tests/web/test_webhooks.py",
}
"""Guarded by a signature of another kind; where that is tested."""

FAR = {
    "farm": "Xanadu Hollow",
    "field": "Zephyrpatch",
    "farmer": "Quillon Vantreight",
    "phone": "+12025550199",
    "consultant": "Orsolya Fjeld",
    "consultant_email": "orsolya@example.org",
    "sampler": "Ulrika Blom",
    "sampler_email": "ulrika@example.org",
    "variety": "Umbrellaria",
}
NEAR = {
    "phone": "+12025550143",
    "consultant": "Cara Voss",
    "consultant_email": "cara@example.org",
    "sampler": "Sam Oyen",
    "sampler_email": "sam@example.org",
}
NAMES = re.compile("Xanadu|Zephyr|Quillon|Vantreight|0199|Orsolya|Ulrika|Umbrellaria|FAR-1")

FORMS: Mapping[tuple[str, str], Mapping[str, str]] = {
    ("farm", "/started"): {"field": "{field}", "on": MONDAY.isoformat()},
    ("farm", "/undo"): {"field": "{field}"},
    ("farm", "/pause"): {"days": "3"},
    ("farm", "/resume"): {},
    ("farm", "/stop"): {},
    ("farm", "/again"): {},
    ("farm", "/edit"): {
        "id": "{field}", "open": "{field}", "field-1-field": "Taken", "farm_id": "{farm}",
    },
    ("farm", "/address"): {"phone": "+12025550155", "farm_id": "{farm}"},
    ("consultant", "/digest"): {"every": "weekly", "person_id": "{person}"},
    ("consultant", "/upload"): {},  # a file: tests/web/test_consultant.py
    ("consultant", "/upload/confirm"): {"upload": "1.forged"},
    ("sampler", "/assign"): {
        "field": "{field}", "farm_label": "Plum Bottom", "field_label": "Nrth",
    },
    ("sampler", "/take-back"): {"result": "{result}"},
    ("sampler", "/publish"): {"field": "{field}", "public_name": "Site 1", "do": "publish"},
    ("sampler", "/clip"): {
        "field": "{field}", "sampled_on": MONDAY.isoformat(), "method": "nir", "rfv": "150",
    },
    ("sampler", "/reading"): {
        "field": "{field}", "sampled_on": MONDAY.isoformat(), "unit": "in", "do": "save",
        **{f"{what}_{k}": said for k in range(1, 6)
           for what, said in (("height", "28"), ("stage", "bud"))},
    },
}  # fmt: skip
"""What the near visitor posts, with the far farm's ids in it."""


@dataclass(frozen=True, slots=True)
class Neighbors:
    service: Service
    app: FastAPI
    ids: Mapping[str, str]  # of the far farm
    links: Mapping[Role, str]  # of the near visitor

    def ask(self, method: str, path: str, **how: object) -> httpx.Response:
        async def once() -> httpx.Response:
            transport = httpx.ASGITransport(app=self.app)
            base = "https://cutcall.example.org"
            async with httpx.AsyncClient(transport=transport, base_url=base) as client:
                return await client.request(method, path, **how)  # type: ignore[arg-type]

        return asyncio.run(once())

    def far_rows(self) -> list[str]:
        """All that is kept of the far farm and its people, and every message."""
        with self.service.sessions.read() as session:
            farm_id, person_id = int(self.ids["farm"]), int(self.ids["person"])
            rows: list[object] = [session.get(Farm, farm_id), session.get(Person, person_id)]
            for table in SQLModel.metadata.sorted_tables:
                if {"farm_id", "field_id", "person_id"} & set(table.columns.keys()):
                    for row in session.connection().execute(table.select()).mappings():
                        mine = (
                            row.get("farm_id") == farm_id
                            or row.get("field_id") == int(self.ids["field"])
                            or row.get("person_id") == person_id
                        )
                        rows += [dict(row)] if mine else []
            field = session.get(FarmField, int(self.ids["field"]))
            return [repr(row) for row in (*rows, field)]


@pytest.fixture
def neighbors(service: Service) -> Neighbors:
    service.enrol(NEAR, FAR)
    service.clock.set(MONDAY, time(12))
    service.results({"rfv": 190, "lab": "kestrel", "lab_number": "NEAR-1"})
    service.results(
        {"farm": FAR["farm"], "field": FAR["field"], "rfv": 188, "lab": "kestrel",
         "lab_number": "FAR-1"}
    )  # fmt: skip
    service.clock.set(day(1), time(7, 5))
    service.evaluate()
    service.send()
    with service.sessions.write() as session:
        near, far = (
            session.exec(select(Farm).where(Farm.name == name)).one()
            for name in ("Plum Bottom", FAR["farm"])
        )
        field = session.exec(select(FarmField).where(FarmField.farm_id == far.id)).one()
        result = session.exec(select(LabResult).where(LabResult.field_id == field.id)).one()
        message = session.exec(select(OutboxMessage).where(OutboxMessage.farm_id == far.id)).first()
        assert message is not None
        ids = {
            "farm": str(far.id),
            "field": str(field.id),
            "person": str(far.farmer_id),
            "message": str(message.id),
            "result": str(result.id),
        }
        owners = {
            Role.FARM: {"person_id": near.farmer_id, "farm_id": near.id},
            Role.CONSULTANT: {"person_id": near.consultant_id},
            Role.SAMPLER: {"person_id": near.sampler_id},
            Role.OPERATOR: {},
        }
        links = {
            role: link_path(session, service.parts.link_rules(), role, now=service.clock(), **who)
            for role, who in owners.items()
        }
    return Neighbors(service, build_app(service.parts), ids, links)


def routes(app: FastAPI | APIRouter, before: str = "") -> Iterator[tuple[str, str]]:
    """(method, path) of every route, those of mounted and included ones too."""
    for route in app.routes:
        included = getattr(route, "original_router", None)
        if included is not None:
            yield from routes(included, before)
        elif isinstance(route, Mount):
            yield "GET", before + route.path
            if isinstance(route.app, FastAPI):
                yield from routes(route.app, before + route.path)
        elif isinstance(route, Route) or hasattr(route, "methods"):
            for method in sorted(route.methods - {"HEAD"}):
                yield method, before + route.path


def role_of(path: str) -> Role | None:
    first, _, rest = path.strip("/").partition("/")
    return Role(first) if rest.startswith("{token}") and first in set(Role) else None


def private(neighbors: Neighbors) -> list[tuple[str, str, Role]]:
    return [(m, p, role) for m, p in routes(neighbors.app) if (role := role_of(p))]


def filled(path: str, token: str, ids: Mapping[str, str]) -> str:
    return (
        path.replace("{token}", token)
        .replace("{farm_id}", ids["farm"])
        .replace("{field_id}", ids["field"])
        .replace("{message_id}", ids["message"])
        .replace("{name}", f"{ids['field']}.svg")
    )


def test_every_route_has_a_rule(neighbors: Neighbors) -> None:
    unruled = [
        f"{method} {path}"
        for method, path in routes(neighbors.app)
        if path not in PUBLIC
        and path not in OWN_PROOF
        and role_of(path) is None
        and not path.startswith("/api/v1/")
    ]
    assert unruled == []


def test_every_form_has_a_foreign_one(neighbors: Neighbors) -> None:
    missing = [
        path
        for method, path, role in private(neighbors)
        if method == "POST"
        and role is not Role.OPERATOR
        and (role.value, path.partition("{token}")[2]) not in FORMS
    ]
    assert missing == []


def test_no_route_opens_with_a_link_that_is_not_its_own(neighbors: Neighbors) -> None:
    """Made up, of another role, taken back, expired: 404, and not a name in it."""
    service = neighbors.service
    before = neighbors.far_rows()
    tokens = {role: path.rpartition("/")[2] for role, path in neighbors.links.items()}
    with service.sessions.write() as session:
        gone = {}
        for role, token in tokens.items():
            link_id = open_link(
                session, service.parts.link_rules(), role, token, service.clock()
            ).link_id
            gone[role] = link_id
    wrong = 0
    for method, path, role in private(neighbors):
        others = [token for other, token in tokens.items() if other is not role]
        for token in ("1", "1.x", "%2E%2E", *others):
            answer = neighbors.ask(method, filled(path, token, neighbors.ids))
            assert answer.status_code == 404, (method, path, token, answer.status_code)
            assert not NAMES.search(answer.text)
            wrong += 1
    for link_id in gone.values():
        with service.sessions.write() as session:
            revoke(session, link_id, service.clock())
    for method, path, role in private(neighbors):
        answer = neighbors.ask(method, filled(path, tokens[role], neighbors.ids))
        assert answer.status_code == 404, (method, path)
    with service.sessions.write() as session:
        for link in session.exec(select(AccessLink)):
            link.revoked_at = None
            session.add(link)
    service.clock.now += timedelta(days=999)
    for method, path, role in private(neighbors):
        answer = neighbors.ask(method, filled(path, tokens[role], neighbors.ids))
        assert answer.status_code == 404, (method, path)
    assert neighbors.far_rows() == before
    assert wrong > 100


def test_own_link_opens_and_never_says_a_name_of_another(neighbors: Neighbors) -> None:
    """The counter-proof: the same visits with the right link answer, and show only their own."""
    opened = 0
    for method, path, role in private(neighbors):
        if method != "GET" or role is Role.OPERATOR or "_id}" in path or "{name}" in path:
            continue
        token = neighbors.links[role].rpartition("/")[2]
        answer = neighbors.ask("GET", filled(path, token, neighbors.ids))
        assert answer.status_code == 200, (path, answer.text)
        assert not NAMES.search(answer.text), path
        opened += 1
    assert opened > 10


def test_ids_of_another_in_the_address_lead_nowhere(neighbors: Neighbors) -> None:
    asked = 0
    for method, path, role in private(neighbors):
        if role is Role.OPERATOR or ("_id}" not in path and "{name}" not in path):
            continue
        token = neighbors.links[role].rpartition("/")[2]
        answer = neighbors.ask(method, filled(path, token, neighbors.ids))
        assert answer.status_code == 404, (path, answer.status_code)
        assert not NAMES.search(answer.text)
        asked += 1
    assert asked >= 3


def test_ids_of_another_in_a_form_change_nothing(neighbors: Neighbors) -> None:
    before = neighbors.far_rows()
    for (role, tail), form in FORMS.items():
        path = neighbors.links[Role(role)] + tail
        said = {name: text.format(**neighbors.ids) for name, text in form.items()}
        answer = neighbors.ask("POST", path, data=said)
        assert answer.status_code < 500, (path, answer.text)
        assert not NAMES.search(answer.text), path
        assert neighbors.far_rows() == before, path


def test_upload_of_a_roster_cannot_take_another_s_farm(neighbors: Neighbors) -> None:
    before = neighbors.far_rows()
    roster = (
        "farm,field,area,farmer,phone,animal_class,harvest_days\n"
        f"{FAR['farm']},{FAR['field']},Heron Flats,Ada Lindqvist,+12025550143,milking_cows,2\n"
    )
    path = neighbors.links[Role.CONSULTANT] + "/upload"
    answer = neighbors.ask("POST", path, files={"roster": ("r.csv", BytesIO(roster.encode()))})
    assert answer.status_code < 500
    upload = re.search(r'name="upload" value="([^"]+)"', answer.text)
    if upload:
        neighbors.ask("POST", path + "/confirm", data={"upload": upload.group(1)})
    assert neighbors.far_rows() == before


# ------------------------------------------------------------------------ programs


def tokens_of_near(neighbors: Neighbors) -> dict[str, str]:
    now = neighbors.service.clock()
    with neighbors.service.sessions.write() as session:
        near = session.exec(select(Farm).where(Farm.name == "Plum Bottom")).one()
        people = {"consultant": near.consultant_id, "sampler": near.sampler_id}
        return {
            role: make_token(session, role, role, person, "", (), None, now)[1]
            for role, person in people.items()
        }


def api_routes(neighbors: Neighbors) -> list[tuple[str, str]]:
    return [
        (method, path)
        for method, path in routes(neighbors.app)
        if path.startswith("/api/v1/") and path not in PUBLIC
    ]


def test_api_asks_for_a_token_everywhere(neighbors: Neighbors) -> None:
    assert len(api_routes(neighbors)) >= 5
    for method, path in api_routes(neighbors):
        where = filled(path, "", neighbors.ids).replace("{document_id}", "1")
        for headers in ({}, {"Authorization": "Bearer nonsense"}):
            body = {"json": {"cut_on": MONDAY.isoformat()}} if method == "POST" else {}
            answer = neighbors.ask(method, where, headers=headers, **body)
            assert answer.status_code == 401, (method, path)
            assert answer.headers["content-type"] == "application/problem+json"


def test_api_shows_and_changes_nothing_of_another(neighbors: Neighbors) -> None:
    before = neighbors.far_rows()
    for role, secret in tokens_of_near(neighbors).items():
        headers = {"Authorization": f"Bearer {secret}"}
        for method, path in api_routes(neighbors):
            where = filled(path, "", neighbors.ids).replace("{document_id}", "2")
            how: dict[str, object] = {"headers": headers}
            if method == "POST":
                how["json"] = {"cut_on": MONDAY.isoformat()}
            answer = neighbors.ask(method, where, **how)
            assert answer.status_code < 500, (role, method, path)
            assert not NAMES.search(answer.text), (role, path, answer.text)
            if "_id}" in path:
                assert answer.status_code in (403, 404), (role, path, answer.status_code)
    assert neighbors.far_rows() == before
    with neighbors.service.sessions.read() as session:
        assert session.exec(select(ApiToken)).all()
