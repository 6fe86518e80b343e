"""Changing a farm on its own page; the form is that of the sign-up."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.responses import HTMLResponse, Response

from alerts.bootstrap import Parts
from alerts.services.access.links import Role
from alerts.services.farms.farm_edit import (
    EditForm,
    closed_fields,
    edit_form,
    save,
    with_new_field,
    with_opened,
    with_taken_out,
)
from alerts.services.farms.farm_form import MOST_FIELDS, FormRules, control
from alerts.services.farms.farm_page import farm_page
from alerts.web.access import visitor
from alerts.web.farm import FarmPages, farm_of, language_of, number, page_after, query_of
from alerts.web.form_words import sentence
from alerts.web.forms import read_form, text_of
from alerts.web.language import translations
from alerts.web.signup import form_choices, form_values


def add_routes(app: FastAPI, parts: Parts) -> None:
    pages = FarmPages(parts)

    @app.get("/farm/{token}/edit")
    def show_form(request: Request, token: str) -> HTMLResponse:
        who = visitor(parts, Role.FARM, token)
        with parts.sessions.read() as session:
            form = edit_form(session, who, farm_of(who), parts.guidelines)
        return _show(pages, request, token, form)

    @app.post("/farm/{token}/edit")
    async def post_form(request: Request, token: str) -> Response:
        posted = await read_form(request)
        return await run_in_threadpool(_act, pages, request, token, posted)


def _act(pages: FarmPages, request: Request, token: str, posted: FormData) -> Response:
    """Do what the pressed button says; all but saving only fills the form in further."""
    who, form = visitor(pages.parts, Role.FARM, token), _sent(posted)
    verb, _, which = text_of(posted, "do").partition("-")
    match verb:
        case "add":
            return _show_unsaved(pages, request, token, with_new_field(form), MOST_FIELDS)
        case "remove":
            taken = number(which, "fields")
            return _show_unsaved(pages, request, token, with_taken_out(form, taken), taken)
        case "open":
            with pages.parts.sessions.read() as session:
                field_id = number(which, "fields")
                form = with_opened(session, who, farm_of(who), form, field_id)
            return _show_unsaved(pages, request, token, form, MOST_FIELDS)
    return _save(pages, request, token, form)


def _sent(posted: FormData) -> EditForm:
    return EditForm(
        typed={name: text for name, text in posted.items() if isinstance(text, str)},
        field_ids=tuple(number(text, "farm") for text in posted.getlist("id")),
        open_ids=tuple(number(text, "farm") for text in posted.getlist("open")),
    )


def _save(pages: FarmPages, request: Request, token: str, sent: EditForm) -> Response:
    parts = pages.parts
    who = visitor(parts, Role.FARM, token)
    now = parts.clock()
    today = now.astimezone(ZoneInfo(parts.settings.time_zone)).date()
    rules = FormRules(parts.guidelines, parts.roster_defaults(), today)
    with parts.sessions.write() as session:
        form = save(session, who, farm_of(who), sent, rules, now)
    if form.errors:
        return _show(pages, request, token, form, status=422)
    return page_after(request, token, "edited")


def _show_unsaved(
    pages: FarmPages, request: Request, token: str, form: EditForm, field: int
) -> HTMLResponse:
    """The form filled in further, at the name of that field or else the last."""
    at = max(1, min(field, len(form.field_ids)))
    return _show(pages, request, token, form, unsaved=True, focus=control("field", at))


def _show(
    pages: FarmPages,
    request: Request,
    token: str,
    form: EditForm,
    status: int = 200,
    *,
    unsaved: bool = False,
    focus: str = "",
) -> HTMLResponse:
    parts = pages.parts
    who = visitor(parts, Role.FARM, token)
    with parts.sessions.read() as session:
        page = farm_page(
            session, who, farm_of(who), pages.rules(), parts.clock(), language_of(request)
        )
        closed = closed_fields(session, who, farm_of(who), form)
    say = translations(page.language).gettext
    errors = [(error.control, sentence(error, say, page.language)) for error in form.errors]
    return pages.pages.show(
        "farm_edit.html",
        page.language,
        status=status,
        page=page,
        base=f"/farm/{token}",
        query=query_of(request),
        field_ids=form.field_ids,
        open_ids=form.open_ids,
        has_room=form.has_room,
        closed=closed,
        unsaved=unsaved,
        errors=errors,
        form=form_values(form.typed, dict(errors), focus=focus),
        choices=form_choices(parts.guidelines, say),
    )
