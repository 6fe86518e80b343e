"""A service into which hostile names have found their way, whatever keeps them out."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import time

import httpx
import pytest
from advisers import farm_id, person_id, settle_in
from factories import MONDAY, Service
from fastapi import FastAPI

from alerts.bootstrap import Parts
from alerts.services.access.links import Role, link_path
from alerts.services.consultants.digest import queue_digests
from alerts.store import areas
from alerts.store.tables import Area, Farm, FarmField, Person
from alerts.web.app import build_app

BASE = "https://cutcall.example.org"
Ask = Callable[..., httpx.Response]

FARM = '=cmd|"/c calc"!A1<script>alert("farm")</script>\r\nBcc: all@example.org'
FIELD = "+1;<img src=x onerror=alert(1)>\r\nATTENDEE:mailto:all@example.org\x07"
PLACE = "@SUM(A1)</text><script>alert(2)</script>"
FARMER = "-2+3</Message><Message>Ada\r\nSubject: owned"


def visit(parts: Callable[[], Parts]) -> Ask:
    """Send one request to the application."""
    built: list[tuple[Parts, FastAPI]] = []

    def send(method: str, path: str, **how: object) -> httpx.Response:
        if not built or built[-1][0] is not parts():
            built.append((parts(), build_app(parts())))

        async def once() -> httpx.Response:
            transport = httpx.ASGITransport(app=built[-1][1])
            async with httpx.AsyncClient(transport=transport, base_url=BASE) as client:
                return await client.request(method, path, **how)  # type: ignore[arg-type]

        return asyncio.run(once())

    return send


@pytest.fixture
def ask(service: Service) -> Ask:
    return visit(lambda: service.parts)


@pytest.fixture
def hostile(service: Service) -> Service:
    """Alder End and its people bear names that try to break out of whatever they stand in.

    Forms and rosters refuse most of them; here they stand in the tables already.
    """
    settle_in(service)
    with service.sessions.write() as session:
        home = session.get_one(Farm, farm_id(service, "Alder End"))
        home.name = FARM
        for one in service.rows(FarmField):
            if one.farm_id == home.id:
                field = session.get_one(FarmField, one.id)
                field.name = f"{FIELD}{one.id}"
                field.public_name, field.public_place = f"{FIELD}{one.id}", PLACE
        session.get_one(Person, home.farmer_id).name = FARMER
        session.get_one(Area, home.area_id).name = f"Heron Flats{PLACE}"
        areas.mark_due(session, [home.area_id], service.clock())
    service.results({"farm": "Wide Acre", "field": "Long", "rfv": 201})
    service.clock.set(MONDAY, time(7, 5))
    service.evaluate()
    service.send()
    service.clock.set(MONDAY, time(7, 35))
    queue_digests(service.sessions, service.parts.digest_rules(), service.clock())
    return service


@pytest.fixture
def pages(hostile: Service) -> dict[Role, str]:
    """The path of each role's page."""
    home = farm_id(hostile, FARM)
    [farmer] = {one.farmer_id for one in hostile.rows(Farm) if one.id == home}
    whose: dict[Role, dict[str, int]] = {
        Role.FARM: {"person_id": farmer, "farm_id": home},
        Role.CONSULTANT: {"person_id": person_id(hostile, "per@example.org")},
        Role.SAMPLER: {"person_id": person_id(hostile, "jo@example.org")},
        Role.OPERATOR: {},
    }
    rules = hostile.parts.link_rules()
    with hostile.sessions.write() as session:
        return {
            role: link_path(session, rules, role, now=hostile.clock(), **who)
            for role, who in whose.items()
        }
