"""The web application: every page and every address, put together."""

from __future__ import annotations

from pathlib import Path

from fastapi import FastAPI
from prometheus_client import CollectorRegistry
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
    operating,
    operator,
    refusals,
    review,
    sampler,
    signup,
    stop,
    webhooks,
)
from alerts.web.frame import Frame
from alerts.web.metrics import request_seconds

STATIC = Path(__file__).parent / "static"

PAGES = (
    *(home, stop, signup, address, farm, farm_edit, consultant, sampler, areas, review),
    *(operator, webhooks, api),
)


def build_app(parts: Parts) -> FastAPI:
    """The application: it keeps nothing of its own but charts it has drawn."""
    # Redirects of the library name the host that the visitor named; see `refusals`.
    app = FastAPI(
        title="Cutcall", docs_url=None, redoc_url=None, openapi_url=None, redirect_slashes=False
    )
    app.mount("/static", StaticFiles(directory=STATIC), name="static")

    registry = CollectorRegistry()
    app.add_middleware(Frame, seconds=request_seconds(registry))
    for page in PAGES:
        page.add_routes(app, parts)

    operating.add_routes(app, parts, registry)
    refusals.add_handlers(app, parts)
    return app
