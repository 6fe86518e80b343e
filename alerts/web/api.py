"""The API for programs, version 1: laboratories, consultants' and samplers' own software.

An application of its own below /api/v1, so that every error in it is a problem (RFC 9457) and its
OpenAPI document, /api/v1/openapi.json, describes nothing else.
"""

from __future__ import annotations

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from starlette.exceptions import HTTPException

from alerts.bootstrap import MIB, Parts
from alerts.web import api_models, api_routes
from alerts.web.body_limits import BodyLimits
from alerts.web.problems import add_problems

ROOT = "/api/v1"

ABOUT = """\
Send results, and read farms, outlooks and area results.

**Tokens.** The operator makes one for you; send it as `Authorization: Bearer cutcall_...`. A
laboratory's token may send results of any field; a consultant's or sampler's sees and changes the
farms of that person only. Areas are public and need no token.

**Repeating.** Results that are known already change nothing. With an `Idempotency-Key` the first
answer is given again for seven days, which makes a request safe to send again after a broken
connection.

**Errors** are `application/problem+json`; `detail` says in one sentence what to do.

**What the numbers are.** Quality is that of the standing crop, projected from samples; ranges hold
80 % of the chance. When to cut stays the grower's decision."""


def add_routes(app: FastAPI, parts: Parts) -> None:
    @app.get(ROOT, include_in_schema=False)
    def nothing_here() -> None:
        raise HTTPException(404, "there is nothing at this address; see /api/v1/openapi.json")

    app.mount(ROOT, build_api(parts))


def build_api(parts: Parts) -> FastAPI:
    api = FastAPI(
        title="Cutcall",
        version="1",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        redirect_slashes=False,
    )
    api.state.parts = parts
    api.add_middleware(
        BodyLimits, document_path="/results", most_bytes=parts.settings.intake_max_mib * MIB
    )
    api.include_router(api_routes.router)
    add_problems(api)

    @api.get("/openapi.json", include_in_schema=False)
    def openapi() -> dict[str, object]:
        return describe(api, parts.settings.public_url)

    return api


def describe(api: FastAPI, public_url: str) -> dict[str, object]:
    """The OpenAPI document of the API."""
    document = get_openapi(
        title="Cutcall",
        version="1",
        summary="When to start cutting first-cut alfalfa",
        description=ABOUT,
        routes=api.routes,
        servers=[{"url": f"{public_url.rstrip('/')}{ROOT}"}],
    )
    schemas = document["components"]["schemas"]
    for model in (api_models.Problem, api_models.ResultsIn):
        schema = model.model_json_schema(ref_template="#/components/schemas/{model}")
        schemas |= schema.pop("$defs", {})
        schemas[model.__name__] = schema
    return document
