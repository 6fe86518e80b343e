"""One client as its consultant sees it: what the farm's own page shows, to read only."""

from __future__ import annotations

from fastapi import FastAPI, Request
from starlette.responses import HTMLResponse, Response

from alerts.bootstrap import Parts
from alerts.charts.outlook_chart import describe
from alerts.services.access.links import Role
from alerts.services.access.scope import NotYours, require_farm, require_field
from alerts.services.farms.farm_page import chart_of, farm_page
from alerts.services.farms.farm_records import FarmPage
from alerts.web.access import KeptPages, visitor
from alerts.web.farm import FarmPages
from alerts.web.ids import id_of
from alerts.web.language import ENGLISH
from alerts.web.pages import PRIVATE, Pages

CLIENTS_KEPT = 512
"""Pages of clients kept in memory, some 10 kB each."""

RESULT_METHODS = {"wet": "wet chemistry", "nir": "NIR", "stem": "stem reading"}


def add_routes(app: FastAPI, parts: Parts) -> None:
    pages, farms = Pages(parts.templates), FarmPages(parts)
    kept = KeptPages(parts, Role.CONSULTANT, CLIENTS_KEPT)
    words = parts.templates.wording(ENGLISH)

    @app.get("/consultant/{token}/farm/{farm_id}")
    def show_client(token: str, farm_id: str) -> HTMLResponse:
        def fill(page: FarmPage) -> str:
            return pages.fill(
                "consultant_farm.html",
                base=f"/consultant/{token}",
                page=page,
                says=lambda chart: describe(chart, words),
                methods=RESULT_METHODS,
            )

        page = kept.get(
            token,
            farm_id,
            lambda session, who, now: farm_page(
                session, who, id_of(farm_id, "farm"), farms.rules(), now, ENGLISH
            ),
            fill,
        )
        return HTMLResponse(page, headers=PRIVATE)

    @app.get("/consultant/{token}/farm/{farm_id}/chart/{field_id}.svg")
    def show_chart(request: Request, token: str, farm_id: str, field_id: str) -> Response:
        who = visitor(parts, Role.CONSULTANT, token)
        field = id_of(field_id, "field")
        with parts.sessions.read() as session:
            farm = require_farm(session, who, id_of(farm_id, "farm"))
            if require_field(session, who, field).farm_id != farm.id:
                raise NotYours("there is no such field here")
            chart = chart_of(session, who, field, farms.rules(), parts.clock(), ENGLISH)
        return farms.picture(request, chart, "svg")
