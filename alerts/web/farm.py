"""A farm's own page: the start date, why, and what the farmer can do about it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Literal

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.responses import HTMLResponse, RedirectResponse, Response

from alerts.bootstrap import Parts
from alerts.charts.outlook_chart import OutlookChart, describe, draw
from alerts.services.access.links import Role, Visitor
from alerts.services.access.opened import Read
from alerts.services.access.scope import NotYours
from alerts.services.farms import farm_actions
from alerts.services.farms.farm_actions import WrongInput
from alerts.services.farms.farm_page import PageRules, chart_of, farm_page
from alerts.services.farms.farm_records import FarmPage, PageChart
from alerts.services.people.sign_up import wording_shown
from alerts.web.access import KeptPages, visitor
from alerts.web.form_words import ANIMALS
from alerts.web.forms import read_form, text_of
from alerts.web.ids import id_of
from alerts.web.language import LANGUAGES
from alerts.web.pages import PRIVATE, Pages

PAGES_KEPT = 1024
"""Pages kept in memory, some 15 kB each; that of a farm of twenty fields has some 100 kB."""

CHARTS_KEPT = 256
"""Pictures kept in memory, some 10 kB each."""

CHART_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
"""An SVG carries its colours in styles of its own, and nothing else."""

CHART_TYPES = {"svg": "image/svg+xml", "png": "image/png"}

DONE = {
    "started": "Recorded. The dates of what still stands are worked out anew within minutes.",
    "undone": "Taken back. The field is open again.",
    "paused": "Paused.",
    "resumed": "Messages go on.",
    "stopped": "Stopped. No more messages will go to you.",
    "again": "Messages start again.",
    "edited": "Saved. The date is worked out anew within minutes.",
}
"""What is said after something was done, by the word in the address."""

NOTHING_TYPED = FormData()

METHODS = {"haylage": "Haylage", "baleage": "Baleage", "dry_hay": "Dry hay"}
LOADS = {"last": "The last load too", "average": "The average of the whole crop"}


@dataclass(frozen=True, slots=True)
class Posted:
    """A form as it was sent."""

    form: FormData
    ip: str


Act = Callable[[Visitor, int, Posted], str]
"""Does what a form asks for; returns the word of ``DONE`` for it."""


def add_routes(app: FastAPI, parts: Parts) -> None:
    pages = FarmPages(parts)

    @app.get("/farm/{token}")
    def show(request: Request, token: str) -> HTMLResponse:
        return pages.show(request, token)

    @app.get("/farm/{token}/chart/{name}")
    def chart(request: Request, token: str, name: str) -> Response:
        return pages.chart(request, token, name)

    @app.get("/farm/{token}/stop")
    def ask_stop(request: Request, token: str) -> HTMLResponse:
        return pages.show(request, token, "farm_stop.html")

    @app.get("/farm/{token}/again")
    def ask_again(request: Request, token: str) -> HTMLResponse:
        return pages.show(request, token, "farm_again.html")

    for name, act in pages.acts().items():
        _add_act(app, pages, name, act)


def _add_act(app: FastAPI, pages: FarmPages, name: str, act: Act) -> None:
    @app.post(f"/farm/{{token}}/{name}", name=f"farm_{name}")
    async def post(request: Request, token: str) -> Response:
        form = await read_form(request)
        return await run_in_threadpool(pages.act, request, token, act, form)


class FarmPages:
    """What the routes share."""

    def __init__(self, parts: Parts) -> None:
        self.parts = parts
        self.pages = Pages(parts.templates)
        self._kept = KeptPages(parts, Role.FARM, PAGES_KEPT)
        self._picture = lru_cache(maxsize=CHARTS_KEPT)(self._draw)

    def rules(self) -> PageRules:
        return PageRules(
            guidelines=self.parts.guidelines,
            templates=self.parts.templates,
            season_first_day=self.parts.season_first_day(),
        )

    # ------------------------------------------------------------------ looking

    def show(self, request: Request, token: str, template: str = "farm.html") -> HTMLResponse:
        said, done = language_of(request), DONE.get(request.query_params.get("done", ""), "")

        def fill(page: FarmPage) -> str:
            return self._fill(template, page, token, query_of(request), done=done)

        page = self._kept.get(token, (template, said, done), self._read(said), fill)
        return HTMLResponse(page, headers=PRIVATE)

    def _show_wrong(
        self, request: Request, token: str, who: Visitor, wrong: WrongInput, typed: FormData
    ) -> HTMLResponse:
        """The page with what was typed, and what is wrong with it."""
        with self.parts.sessions.read() as session:
            page = self._read(language_of(request))(session, who, self.parts.clock())
        said = self._fill("farm.html", page, token, query_of(request), wrong=wrong, typed=typed)
        return HTMLResponse(said, status_code=422, headers=PRIVATE)

    def _read(self, language: str) -> Read[FarmPage]:
        return lambda session, who, now: farm_page(
            session, who, farm_of(who), self.rules(), now, language
        )

    def _fill(
        self,
        template: str,
        page: FarmPage,
        token: str,
        query: str,
        *,
        done: str = "",
        wrong: WrongInput | None = None,
        typed: FormData = NOTHING_TYPED,
    ) -> str:
        words = self.parts.templates.wording(page.language)
        return self.pages.fill(
            template,
            page.language,
            page=page,
            base=f"/farm/{token}",
            query=query,
            done=done,
            wrong=wrong,
            typed=typed,
            says=lambda chart: describe(chart, words),
            agreed=wording_shown(self.parts.sign_up_rules(), page.language),
            animals=ANIMALS,
            methods=METHODS,
            loads=LOADS,
        )

    def chart(self, request: Request, token: str, name: str) -> Response:
        """A field's chart, named '12.svg' or '12.png'; kept by the browser while it holds."""
        number, _, form = name.partition(".")
        if form not in CHART_TYPES:
            raise NotYours("there is no such field here")
        field_id = id_of(number, "field")
        who = visitor(self.parts, Role.FARM, token)
        with self.parts.sessions.read() as session:
            found = chart_of(
                session,
                who,
                field_id,
                self.rules(),
                self.parts.clock(),
                language_of(request),
            )
        return self.picture(request, found, "png" if form == "png" else "svg")

    def picture(
        self,
        request: Request,
        found: PageChart,
        form: Literal["svg", "png"],
    ) -> Response:
        # An address that names the version never changes what it shows.
        asked = request.query_params.get("v", "") == found.version
        headers = {
            "ETag": f'"{found.version}"',
            "Cache-Control": f"private, {'max-age=604800, immutable' if asked else 'no-cache'}",
            "Content-Security-Policy": CHART_POLICY,
        }
        if f'"{found.version}"' in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        content = self._picture(found.chart, found.language, form)
        return Response(content, media_type=CHART_TYPES[form], headers=headers)

    def _draw(self, chart: OutlookChart, language: str, form: Literal["svg", "png"]) -> bytes:
        return draw(chart, form, self.parts.templates.wording(language))

    # ------------------------------------------------------------------- acting

    def act(self, request: Request, token: str, act: Act, form: FormData) -> Response:
        """Do it and show the page anew; with something wrong, the page with what was typed."""
        who = visitor(self.parts, Role.FARM, token)
        try:
            done = act(who, farm_of(who), Posted(form, ip_of(request)))
        except WrongInput as error:
            return self._show_wrong(request, token, who, error, form)
        return page_after(request, token, done)

    def acts(self) -> dict[str, Act]:
        return {
            "started": self._started,
            "undo": self._undo,
            "pause": self._pause,
            "resume": self._resume,
            "stop": self._stop,
            "again": self._again,
        }

    def _started(self, who: Visitor, farm_id: int, posted: Posted) -> str:
        chosen = [number(value, "field") for value in posted.form.getlist("field")]
        on, season = day(posted.form, "on"), self.parts.season_first_day()
        with self.parts.sessions.write() as session:
            farm_actions.record_start(session, who, farm_id, chosen, on, season, self.parts.clock())
        return "started"

    def _undo(self, who: Visitor, farm_id: int, posted: Posted) -> str:
        field_id = number(posted.form.get("field"), "undo")
        with self.parts.sessions.write() as session:
            farm_actions.undo_start(session, who, farm_id, field_id, self.parts.clock())
        return "undone"

    def _pause(self, who: Visitor, farm_id: int, posted: Posted) -> str:
        until, typed = day(posted.form, "until"), text_of(posted.form, "days")
        days = number(typed, "days") if typed and until is None else None
        with self.parts.sessions.write() as session:
            farm_actions.pause(session, who, farm_id, self.parts.clock(), until=until, days=days)
        return "paused"

    def _resume(self, who: Visitor, farm_id: int, posted: Posted) -> str:
        with self.parts.sessions.write() as session:
            farm_actions.resume(session, who, farm_id, self.parts.clock())
        return "resumed"

    def _stop(self, who: Visitor, farm_id: int, posted: Posted) -> str:
        with self.parts.sessions.write() as session:
            farm_actions.stop(session, who, farm_id, self.parts.clock())
        return "stopped"

    def _again(self, who: Visitor, farm_id: int, posted: Posted) -> str:
        shown = wording_shown(self.parts.sign_up_rules(), text_of(posted.form, "language"))
        with self.parts.sessions.write() as session:
            farm_actions.start_again(
                session, who, farm_id, self.parts.clock(), shown=shown, ip=posted.ip
            )
        return "again"


def page_after(request: Request, token: str, done: str) -> RedirectResponse:
    """To the page, which says what was done; loading it again does nothing again."""
    query = query_of(request)
    return RedirectResponse(
        f"/farm/{token}{query or '?'}{'&' if query else ''}done={done}", status_code=303
    )


def farm_of(who: Visitor) -> int:
    if who.farm_id is None:
        raise NotYours("there is no such farm here")
    return who.farm_id


def ip_of(request: Request) -> str:
    return request.client.host if request.client else ""


def language_of(request: Request) -> str:
    """The language asked for in the address; "" for the farmer's own."""
    said = request.query_params.get("lang", "")
    return said if said in LANGUAGES else ""


def query_of(request: Request) -> str:
    """What forms and links of the page carry on: '?lang=es', or ""."""
    said = language_of(request)
    return f"?lang={said}" if said else ""


def number(value: object, control: str) -> int:
    """A whole number from a control; WrongInput for anything else."""
    text = value.strip() if isinstance(value, str) else ""
    if not text.isascii() or not text.isdigit() or len(text) > 9:
        raise WrongInput(control, "that is no whole number; correct it")
    return int(text)


def day(form: FormData, control: str) -> date | None:
    """A day from a control, None where it is empty; WrongInput for what is no day."""
    text = text_of(form, control)
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise WrongInput(control, "that is no day; write it like 2027-05-14") from None
