"""The front page."""

from __future__ import annotations

from fastapi import FastAPI, Request
from starlette.responses import HTMLResponse

from alerts.bootstrap import Parts
from alerts.web.language import chosen
from alerts.web.pages import Pages


def add_routes(app: FastAPI, parts: Parts) -> None:
    pages = Pages(parts.templates)

    @app.get("/")
    def home(request: Request, lang: str = "") -> HTMLResponse:
        language = chosen(lang, request.headers.get("accept-language", ""))
        return pages.show("home.html", language)
