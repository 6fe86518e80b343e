"""A sampler's pages: what to clip next, what came back, and what waits for its field."""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus
from urllib.parse import urlencode

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.responses import HTMLResponse, RedirectResponse, Response

from alerts.bootstrap import Parts
from alerts.domain.errors import CutcallError
from alerts.services.access.links import Role, Visitor
from alerts.services.access.local_days import today_of
from alerts.services.results.reference_fields import NotPublic, publish, withdraw
from alerts.services.samplers.returned_results import assign_waiting
from alerts.services.samplers.sampler_page import next_round, sampler_page
from alerts.services.samplers.withdrawals import own_result, put_back, take_back
from alerts.web import sample_forms, sampling_protocol
from alerts.web.access import visitor
from alerts.web.forms import read_form, text_of
from alerts.web.language import ENGLISH
from alerts.web.pages import Pages

METHODS = {"wet": "wet chemistry", "nir": "NIR", "stem": "stem reading"}

DONE = {
    "assigned": "Assigned. {n} of the waiting results count from now on.",
    "published": "Published.",
    "withdrawn": "No longer published.",
    "taken-back": "Taken back: the result no longer counts. It stays in the list below.",
    "put-back": "Put back: the result counts again.",
}


@dataclass(frozen=True, slots=True)
class Wrong:
    """What was typed into one form of the page and did not work out: nothing typed is lost."""

    control: str = ""
    sentence: str = ""
    farm_label: str = ""
    field_label: str = ""
    field: str = ""
    public_name: str = ""
    public_place: str = ""


NOTHING_WRONG = Wrong()


def add_routes(app: FastAPI, parts: Parts) -> None:
    pages = Pages(parts.templates)

    @app.get("/sampler/{token}")
    def show_round(token: str, done: str = "", n: int = 0) -> HTMLResponse:
        who = visitor(parts, Role.SAMPLER, token)
        said = DONE[done].format(n=n) if done in DONE else ""
        return _page(parts, pages, token, who, said=said)

    @app.get("/sampler/{token}/print")
    def print_list(token: str) -> HTMLResponse:
        who = visitor(parts, Role.SAMPLER, token)
        words = parts.templates.wording(ENGLISH)
        with parts.sessions.read() as session:
            today = today_of(session, who, parts.clock(), parts.settings.time_zone)
            found = next_round(session, who, today, parts.clip_rules(), words)
        before = words.clock(found.before)
        return pages.show(
            "sampler_print.html",
            base=f"/sampler/{token}",
            round=found,
            clip_steps=sampling_protocol.said(sampling_protocol.CLIP, before),
            stem_steps=sampling_protocol.said(sampling_protocol.STEMS, before),
            cautions=sampling_protocol.said(sampling_protocol.CAUTIONS, before),
            sources=sampling_protocol.sources(),
        )

    @app.post("/sampler/{token}/assign")
    async def assign(request: Request, token: str) -> Response:
        who = await run_in_threadpool(visitor, parts, Role.SAMPLER, token)
        form = await read_form(request)
        return await run_in_threadpool(_assign, parts, pages, token, who, form)

    @app.post("/sampler/{token}/publish")
    async def set_public(request: Request, token: str) -> Response:
        who = await run_in_threadpool(visitor, parts, Role.SAMPLER, token)
        form = await read_form(request)
        return await run_in_threadpool(_publish, parts, pages, token, who, form)

    @app.get("/sampler/{token}/take-back")
    def ask_first(token: str, result: str = "") -> HTMLResponse:
        who = visitor(parts, Role.SAMPLER, token)
        if not result:
            return _page(parts, pages, token, who)
        with parts.sessions.read() as session:
            found = own_result(session, who, result_id_of(result))
        return pages.show("sampler_take_back.html", base=f"/sampler/{token}", result=found)

    @app.post("/sampler/{token}/take-back")
    async def take_it_back(request: Request, token: str) -> Response:
        who = await run_in_threadpool(visitor, parts, Role.SAMPLER, token)
        form = await read_form(request)
        return await run_in_threadpool(_take_back, parts, token, who, form)

    sample_forms.add_routes(app, parts)


def result_id_of(said: str) -> int:
    """The result meant; CutcallError for what is no number of one."""
    if not (said.isascii() and said.isdigit() and len(said) < 10):
        raise CutcallError("choose the result to take back")
    return int(said)


def _take_back(parts: Parts, token: str, who: Visitor, form: FormData) -> Response:
    result_id, undo = result_id_of(text_of(form, "result")), text_of(form, "do") == "put-back"
    with parts.sessions.write() as session:
        (put_back if undo else take_back)(session, who, result_id, parts.clock())
    return _back(token, "put-back" if undo else "taken-back")


def field_id_of(form: FormData) -> int:
    """The field chosen; CutcallError where none is."""
    said = text_of(form, "field")
    if not (said.isascii() and said.isdigit() and len(said) < 10):
        raise CutcallError("choose the field that was sampled")
    return int(said)


def _page(
    parts: Parts,
    pages: Pages,
    token: str,
    who: Visitor,
    *,
    status: int = HTTPStatus.OK,
    said: str = "",
    wrong: Wrong = NOTHING_WRONG,
) -> HTMLResponse:
    words = parts.templates.wording(ENGLISH)
    with parts.sessions.read() as session:
        today = today_of(session, who, parts.clock(), parts.settings.time_zone)
        page = sampler_page(session, who, today, parts.clip_rules(), words)
    return pages.show(
        "sampler.html",
        status=status,
        base=f"/sampler/{token}",
        page=page,
        methods=METHODS,
        said=said,
        wrong=wrong,
    )


def _back(token: str, done: str, number: int = 0) -> RedirectResponse:
    query = urlencode({"done": done, "n": number})
    return RedirectResponse(f"/sampler/{token}?{query}", HTTPStatus.SEE_OTHER)


def _assign(parts: Parts, pages: Pages, token: str, who: Visitor, form: FormData) -> Response:
    names = {name: text_of(form, name) for name in ("farm_label", "field_label")}
    if not text_of(form, "field"):
        wrong = Wrong("assign", "Choose the field that was sampled.", **names)
        return _page(parts, pages, token, who, status=422, wrong=wrong)
    with parts.sessions.write() as session:
        number = assign_waiting(
            session,
            who,
            **names,
            field_id=field_id_of(form),
            guidelines=parts.guidelines,
            now=parts.clock(),
        )
    return _back(token, "assigned", number)


def _publish(parts: Parts, pages: Pages, token: str, who: Visitor, form: FormData) -> Response:
    field_id = field_id_of(form)
    typed = {name: text_of(form, name) for name in ("public_name", "public_place")}
    try:
        with parts.sessions.write() as session:
            if text_of(form, "do") == "withdraw":
                withdraw(session, who, field_id)
                return _back(token, "withdrawn")
            publish(session, who, field_id, **typed)
    except NotPublic as error:
        wrong = Wrong(error.control, error.sentence, field=str(field_id), **typed)
        return _page(parts, pages, token, who, status=422, wrong=wrong)
    return _back(token, "published")
