"""The web application: every page and every address, put together."""

from __future__ import annotations

from pathlib import Path

from fastapi import FastAPI, Request, Response
from starlette.middleware.base import RequestResponseEndpoint
from starlette.staticfiles import StaticFiles

from alerts.bootstrap import Parts
from alerts.web import (
    address,
    api,
    areas,
    consultant,
    farm,
    farm_edit,
    home,
    operator,
    refusals,
    review,
    sampler,
    signup,
    stop,
    webhooks,
)
from alerts.web.headers import HEADERS

STATIC = Path(__file__).parent / "static"

PAGES = (
    *(home, stop, signup, address, farm, farm_edit, consultant, sampler, areas, review),
    *(operator, webhooks, api),
)


def build_app(parts: Parts) -> FastAPI:
    """The application: it keeps nothing of its own but charts it has drawn."""
    app = FastAPI(title="Cutcall", docs_url=None, redoc_url=None, openapi_url=None)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")

    @app.middleware("http")
    async def add_headers(request: Request, call_next: RequestResponseEndpoint) -> Response:
        response = await call_next(request)
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        return response

    for page in PAGES:
        page.add_routes(app, parts)

    @app.get("/healthz")
    def healthz() -> dict[str, str]:
        return {"status": "ok"}

    refusals.add_handlers(app, parts)
    return app
