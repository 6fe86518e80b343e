"""What is answered when an address leads nowhere, or something is wrong with what was sent."""

from __future__ import annotations

from http import HTTPStatus
from urllib.parse import quote

from fastapi import FastAPI, Request
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from alerts.bootstrap import Parts
from alerts.domain import trace
from alerts.domain.errors import CutcallError
from alerts.services.access.links import LinkGone
from alerts.services.access.scope import NotYours
from alerts.web import problems
from alerts.web.frame import REQUEST_ID
from alerts.web.headers import HEADERS
from alerts.web.language import chosen, translations
from alerts.web.pages import Pages


def add_handlers(app: FastAPI, parts: Parts) -> None:
    """Programs get problem+json under /api/, people get a page."""
    pages = Pages(parts.templates)

    def answer(request: Request, status: int, sentence: str, *, gone: bool = False) -> Response:
        if request.url.path.startswith("/api/"):
            return problems.problem(status, sentence)
        language = chosen(
            request.query_params.get("lang", ""), request.headers.get("accept-language", "")
        )
        return pages.show(
            "refusal.html",
            language,
            status=status,
            sentence=translations(language).gettext(sentence),
            gone=gone,
        )

    @app.exception_handler(LinkGone)
    def link_gone(request: Request, error: LinkGone) -> Response:
        return answer(request, HTTPStatus.NOT_FOUND, str(error), gone=True)

    @app.exception_handler(NotYours)
    def not_yours(request: Request, error: NotYours) -> Response:
        return answer(request, HTTPStatus.NOT_FOUND, str(error))

    @app.exception_handler(CutcallError)
    def say_why(request: Request, error: CutcallError) -> Response:
        return answer(request, HTTPStatus.BAD_REQUEST, str(error))

    @app.exception_handler(HTTPException)
    def http_error(request: Request, error: HTTPException) -> Response:
        meant = _without_slash(request) if error.status_code == HTTPStatus.NOT_FOUND else ""
        if meant:
            return RedirectResponse(meant)
        sentence = "there is no such page" if error.status_code == HTTPStatus.NOT_FOUND else ""
        return answer(request, error.status_code, sentence or str(error.detail))

    @app.exception_handler(Exception)
    def broken(request: Request, error: Exception) -> Response:
        """A fault of ours. It is logged by the server; its words are nobody else's business."""
        sentence = "something broke on our side; nothing was changed, please try again"
        response = answer(request, HTTPStatus.INTERNAL_SERVER_ERROR, sentence)
        # This answer is made outside of what adds them.
        response.headers.update({**HEADERS, REQUEST_ID: trace.ids().get("request", "-")})
        return response


def _without_slash(request: Request) -> str:
    """The address that somebody meant who ended it with a slash, on this host; "" for others."""
    path = str(request.scope["path"])
    meant = path.rstrip("/")
    if request.method != "GET" or path.startswith("/api/") or meant in ("", path):
        return ""
    # Two slashes, or what a browser takes for one, would begin the name of another host.
    return "" if meant.startswith("//") else quote(meant)
