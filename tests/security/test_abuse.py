"""Whoever is at the pages, one phone gets no more than a few texts a day from us.

Every way by which somebody can make us text a number is gone through here: signing up, asking for
a lost link, asking for another address from a farm's page, and a consultant's roster. (What an
operator sends again: tests/services/operating/test_operations.py.)
"""

from __future__ import annotations

import asyncio
import re
from datetime import time, timedelta
from io import BytesIO

import httpx
import pytest
from advisers import PER, page_of, settle_in
from factories import AREA, MONDAY, ROSTER_ROW, Service, sheet

from alerts.services.access.links import Role, link_path
from alerts.store import opt_outs
from alerts.store.tables import Farm, OutboxMessage
from alerts.web.app import build_app

VICTIM = "+12025550188"
MOST_A_DAY = 5 + 3
"""`a_day_to_one_address` and `links_a_day` of `[sign_up]`: no other way adds to them."""


def texts(service: Service, to: str = VICTIM) -> list[OutboxMessage]:
    return [one for one in service.messages() if one.channel == "sms" and one.to_address == to]


def sign_up_form(number: int, phone: str = VICTIM) -> dict[str, str]:
    return {
        "lang": "en", "farmer": f"Ada Lind{'x' * (number % 5)}", "phone": phone,
        "farm": f"Stone Row {number}", "area": AREA, "field-1-field": "North",
        "animal_class": "milking_cows", "harvest_days": "5", "consent": "yes", "do": "send",
    }  # fmt: skip


class Abuser:
    """Somebody with a farm of their own, a consultant's link, and many connections."""

    def __init__(self, service: Service) -> None:
        self.service = service
        self.app = build_app(service.parts)
        self.count = 0
        self.consultant = page_of(service, Role.CONSULTANT, PER)
        [home] = [one for one in service.rows(Farm) if one.name == "Wide Acre"]
        with service.sessions.write() as session:
            self.farm = link_path(
                session, service.parts.link_rules(), Role.FARM, person_id=home.farmer_id,
                farm_id=home.id, now=service.clock(),
            )  # fmt: skip

    def ask(self, method: str, path: str, ip: str = "203.0.113.1", **how: object) -> httpx.Response:
        async def once() -> httpx.Response:
            transport = httpx.ASGITransport(app=self.app, client=(ip, 4711))
            base = "https://cutcall.example.org"
            async with httpx.AsyncClient(transport=transport, base_url=base) as client:
                return await client.request(method, path, **how)  # type: ignore[arg-type]

        return asyncio.run(once())

    def everything(self) -> None:
        """Each way once, from another connection every time."""
        self.count += 1
        ip = f"203.0.113.{self.count % 250 + 1}"
        for phone in (VICTIM, "(202) 555-0188", "1-202-555-0188"):
            self.ask("POST", "/signup", ip, data=sign_up_form(self.count, phone))
            self.ask("POST", "/link", ip, data={"address": phone, "lang": "en"})
            form = {"address": phone, "consent": "yes", "lang": "en"}
            self.ask("POST", f"{self.farm}/address", ip, data=form)
        self.upload()

    def upload(self) -> None:
        row = {
            **ROSTER_ROW, "farm": f"Farm {self.count}", "farmer": f"Ada {self.count}",
            "phone": VICTIM, "consultant": "Per Nystrom", "consultant_email": PER,
        }  # fmt: skip
        content = sheet([row]).encode()
        path = f"{self.consultant}/upload"
        shown = self.ask("POST", path, files={"roster": ("r.csv", BytesIO(content))})
        token = re.search(r'name="upload" value="([^"]+)"', shown.text)
        if token:
            self.ask("POST", f"{path}/confirm", data={"upload": token[1]})


@pytest.fixture
def abuser(service: Service) -> Abuser:
    settle_in(service)
    service.clock.set(MONDAY, time(8))
    return Abuser(service)


def test_stranger_cannot_have_a_number_texted_more_than_a_few_times_a_day(abuser: Abuser) -> None:
    service = abuser.service
    for _ in range(20):
        abuser.everything()
        service.send()
        service.later(minutes=65)
    # A whole day and a third: never more than the bounds within any 24 hours.
    sent = sorted(one.created_at for one in texts(service))
    assert sent  # the ways do lead to texts
    for first in sent:
        within = [at for at in sent if first <= at < first + timedelta(days=1)]
        assert len(within) <= MOST_A_DAY


def test_open_pages_alone_text_a_stranger_no_more_than_asked(abuser: Abuser) -> None:
    """Who never agreed gets the one question, and nothing else."""
    for _ in range(12):
        abuser.count += 1
        for path, form in (
            ("/signup", sign_up_form(abuser.count)),
            ("/link", {"address": VICTIM, "lang": "en"}),
        ):
            abuser.ask("POST", path, f"203.0.113.{abuser.count}", data=form)
        abuser.service.later(minutes=61)
    got = texts(abuser.service)
    assert {one.kind for one in got} == {"confirm"}
    assert len(got) <= abuser.service.parts.schedule.sign_up.a_day_to_one_address


def test_number_that_stopped_is_texted_by_none_of_the_ways(abuser: Abuser) -> None:
    with abuser.service.sessions.write() as session:
        opt_outs.stop(session, "sms", VICTIM, abuser.service.clock(), "STOP by text")
    for _ in range(3):
        abuser.everything()
        abuser.service.send()
        abuser.service.later(minutes=61)
    assert [one for one in abuser.service.sms.attempts if one.to == VICTIM] == []


def test_one_connection_cannot_have_many_numbers_texted(abuser: Abuser) -> None:
    most = abuser.service.parts.schedule.sign_up.an_hour_from_one_ip
    for number in range(most + 15):
        form = sign_up_form(number, f"+12025550{100 + number}")
        abuser.ask("POST", "/signup", "203.0.113.7", data=form)
    asked = [one for one in abuser.service.messages("confirm") if one.channel == "sms"]
    assert 0 < len(asked) <= most
