"""Another phone or email for a farm's messages, asked for on the farm's own page."""

from __future__ import annotations

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response

from alerts.bootstrap import Parts
from alerts.services.access.links import Role
from alerts.services.people.addresses import ask_address
from alerts.services.people.sign_up import Asked, SignUpForm, wording_shown
from alerts.web.access import visitor
from alerts.web.form_words import sentence
from alerts.web.forms import read_form, text_of
from alerts.web.language import chosen, translations
from alerts.web.pages import Pages

MOST_BYTES = 16 * 1024


def add_routes(app: FastAPI, parts: Parts) -> None:
    pages = Pages(parts.templates)

    @app.get("/farm/{token}/address")
    def empty_form(request: Request, token: str) -> HTMLResponse:
        _farm_id(parts, token)
        language = chosen(
            request.query_params.get("lang", ""), request.headers.get("accept-language", "")
        )
        return _show(pages, parts, token, SignUpForm({}, language, agreed=False), Asked())

    @app.post("/farm/{token}/address")
    async def send_form(request: Request, token: str) -> Response:
        posted = await read_form(request, MOST_BYTES)
        form = SignUpForm(
            typed={name: text_of(posted, name) for name in ("address", "email_if_unreached")},
            language=chosen(text_of(posted, "lang")),
            agreed=text_of(posted, "consent") == "yes",
        )
        ip = request.client.host if request.client else ""
        return await run_in_threadpool(_send, pages, parts, token, form, ip)


def _farm_id(parts: Parts, token: str) -> int:
    farm_id = visitor(parts, Role.FARM, token).farm_id
    if farm_id is None:
        raise HTTPException(404)
    return farm_id


def _send(pages: Pages, parts: Parts, token: str, form: SignUpForm, ip: str) -> Response:
    farm_id = _farm_id(parts, token)
    asked = ask_address(parts.sessions, parts.sign_up_rules(), farm_id, form, ip, parts.clock())
    if asked.errors or asked.too_many:
        return _show(pages, parts, token, form, asked)
    by = "email" if asked.channel == "email" else "text"
    return RedirectResponse(f"/signup/sent?by={by}&lang={form.language}", status_code=303)


def _show(pages: Pages, parts: Parts, token: str, form: SignUpForm, asked: Asked) -> HTMLResponse:
    say = translations(form.language).gettext
    errors = {one.control: sentence(one, say, form.language) for one in asked.errors}
    return pages.show(
        "farm_address.html",
        form.language,
        status=429 if asked.too_many else 422 if errors else 200,
        base=f"/farm/{token}",
        typed=form.typed.get("address", ""),
        instead=form.typed.get("email_if_unreached") == "yes",
        agreed=form.agreed,
        errors=errors,
        too_many=asked.too_many,
        wording=wording_shown(parts.sign_up_rules(), form.language),
    )
