"""Stopping the messages to an address: a link for people, one click for mail programs."""

from __future__ import annotations

from fastapi import FastAPI, Request
from starlette.responses import HTMLResponse

from alerts.bootstrap import Parts
from alerts.services.delivery.unsubscribe import BadLink, read_token, stop
from alerts.web.language import chosen
from alerts.web.pages import Pages


def add_routes(app: FastAPI, parts: Parts) -> None:
    pages = Pages(parts.templates)

    def language_of(request: Request) -> str:
        return chosen(
            request.query_params.get("lang", ""), request.headers.get("accept-language", "")
        )

    def refused(request: Request, error: BadLink) -> HTMLResponse:
        return pages.show(
            "refusal.html", language_of(request), status=404, sentence=str(error), gone=False
        )

    @app.get("/stop/{token}")
    def confirm_stop(request: Request, token: str) -> HTMLResponse:
        """Shows a button: link scanners follow links, and must not stop anybody's messages."""
        try:
            _, address = read_token(parts.secret, token)
        except BadLink as error:
            return refused(request, error)
        return pages.show("stop.html", language_of(request), address=address, stopped=False)

    @app.post("/stop/{token}")
    def act_on_stop(request: Request, token: str) -> HTMLResponse:
        """The button above, or a mail program's one click (RFC 8058)."""
        try:
            address = stop(parts.sessions, parts.secret, token, parts.clock())
        except BadLink as error:
            return refused(request, error)
        return pages.show("stop.html", language_of(request), address=address, stopped=True)
