"""A consultant's pages: the table of clients, one client, and how the digest comes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus
from urllib.parse import urlencode

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.responses import HTMLResponse, RedirectResponse, Response

from alerts.bootstrap import Parts
from alerts.domain.errors import CutcallError
from alerts.domain.records import DigestEvery
from alerts.services.access.links import Role, Visitor
from alerts.services.consultants.client_exports import clients_calendar, clients_csv
from alerts.services.consultants.client_table import (
    ONLY,
    ClientFilter,
    ClientTable,
    client_table,
    set_digest,
)
from alerts.web import consultant_farm, roster_upload
from alerts.web.access import KeptPages, visitor
from alerts.web.forms import read_form, text_of
from alerts.web.pages import PRIVATE, Pages

METHODS = {"haylage": "haylage", "baleage": "baleage", "dry_hay": "dry hay"}
KINDS = {
    "coming": "coming",
    "moved": "moved",
    "start": "start now",
    "past": "past its target",
}
CHANNELS = {"sms": "text", "email": "email"}
MOST_DAYS = 365
TABLES_KEPT = 64
"""Tables of clients kept in memory, some 0.5 kB a client each."""


@dataclass(frozen=True, slots=True)
class Asked:
    """The filter as it stands in the address, and what of it could not be read."""

    text: str
    area: str
    days: str
    only: str
    method: str
    days_error: str

    @classmethod
    def of(cls, query: Mapping[str, str]) -> Asked:
        text, area, days, only, method = (
            query.get(name, "").strip() for name in ("q", "area", "days", "only", "method")
        )
        error = "" if not days or _is_days(days) else f"Give whole days from 0 to {MOST_DAYS}."
        return cls(text, area, days, only if only in ONLY else "", method, error)

    def filter(self) -> ClientFilter:
        days = int(self.days) if self.days and not self.days_error else None
        return ClientFilter(self.text, self.area, days, self.only, self.method)

    @property
    def query(self) -> str:
        """The same filter for another address; "" when nothing is asked."""
        names = {"q": self.text, "area": self.area, "days": self.days}
        said = {**names, "only": self.only, "method": self.method}
        kept = {name: value for name, value in said.items() if value}
        return f"?{urlencode(kept)}" if kept else ""


def _is_days(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) <= 3 and int(text) <= MOST_DAYS


def add_routes(app: FastAPI, parts: Parts) -> None:
    pages = Pages(parts.templates)
    kept = KeptPages(parts, Role.CONSULTANT, TABLES_KEPT)

    @app.get("/consultant/{token}")
    def show_clients(request: Request, token: str, done: str = "") -> HTMLResponse:
        asked, saved = Asked.of(request.query_params), done == "digest"

        def fill(table: ClientTable) -> str:
            return pages.fill(
                "consultant.html",
                base=f"/consultant/{token}",
                table=table,
                asked=asked,
                saved=saved,
                methods=METHODS,
                kinds=KINDS,
                channels=CHANNELS,
            )

        page = kept.get(
            token,
            (asked, saved),
            lambda session, who, now: client_table(
                session, who, now, parts.season_first_day(), asked.filter()
            ),
            fill,
        )
        return HTMLResponse(page, headers=PRIVATE)

    @app.get("/consultant/{token}/start-dates.csv")
    def export_csv(request: Request, token: str) -> Response:
        asked = Asked.of(request.query_params)
        table = _table(parts, visitor(parts, Role.CONSULTANT, token), asked)
        return download(clients_csv(table.clients), "text/csv; charset=utf-8", "start-dates.csv")

    @app.get("/consultant/{token}/start-dates.ics")
    def export_calendar(request: Request, token: str) -> Response:
        asked = Asked.of(request.query_params)
        content = _calendar(parts, visitor(parts, Role.CONSULTANT, token), asked)
        return download(content, "text/calendar; charset=utf-8", "start-dates.ics")

    @app.post("/consultant/{token}/digest")
    async def choose_digest(request: Request, token: str) -> Response:
        visiting = await run_in_threadpool(visitor, parts, Role.CONSULTANT, token)
        form = await read_form(request)
        await run_in_threadpool(_set_digest, parts, visiting, form)
        return RedirectResponse(f"/consultant/{token}?done=digest#digest", HTTPStatus.SEE_OTHER)

    consultant_farm.add_routes(app, parts)
    roster_upload.add_routes(app, parts)


def download(content: bytes, kind: str, name: str) -> Response:
    headers = {**PRIVATE, "Content-Disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type=kind, headers=headers)


def _table(parts: Parts, visiting: Visitor, asked: Asked) -> ClientTable:
    with parts.sessions.read() as session:
        first_day = parts.season_first_day()
        return client_table(session, visiting, parts.clock(), first_day, asked.filter())


def _calendar(parts: Parts, visiting: Visitor, asked: Asked) -> bytes:
    table = _table(parts, visiting, asked)
    with parts.sessions.write() as session:
        content = clients_calendar(
            session,
            table.clients,
            today=table.today,
            organizer_email=parts.settings.email_from,
            now=parts.clock(),
        )
    if not content:
        raise CutcallError(
            "no client of this list has a start date for a calendar yet; try again later"
        )
    return content


def _set_digest(parts: Parts, visiting: Visitor, form: FormData) -> None:
    said = text_of(form, "every")
    if said not in list(DigestEvery):
        raise CutcallError("say how often the digest is to come: daily, weekly or on changes")
    with parts.sessions.write() as session:
        set_digest(session, visiting, DigestEvery(said), text_of(form, "if_unchanged") == "yes")
