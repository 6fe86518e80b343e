"""Results of reference fields, for everybody: a page, a chart, a table for programs, and a feed."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, time
from urllib.parse import urlencode, urlsplit

from fastapi import FastAPI, Request
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from alerts.bootstrap import Parts
from alerts.charts import results_chart
from alerts.charts.outlook_chart import ChartResult
from alerts.charts.results_chart import FieldResults, ResultsChart
from alerts.domain.records import Index, Method
from alerts.messages.sheets import csv_of
from alerts.services.results import public_results
from alerts.services.results.public_results import AreaResults, PublicResult
from alerts.web.api_models import AreaResults as AreaAnswer
from alerts.web.area_forms import Asked, read_asked
from alerts.web.etags import answer_with_tag
from alerts.web.pages import Pages

METHODS = {
    Method.WET_CHEMISTRY: "wet chemistry",
    Method.NIR: "NIR",
    Method.STEM: "stem reading",
}

CSV_HEADER = ("sampled_on", "field", "place", "cutting", "method", "rfv", "rfq", "ndf_pct_dm")

CHART_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
"""An SVG carries its colours in styles of its own, and nothing else."""

NO_HEADERS: Mapping[str, str] = {}
"""Public pages may be kept; `answer_with_tag` says for how long."""


def add_routes(app: FastAPI, parts: Parts) -> None:
    pages = Pages(parts.templates)

    def found(slug: str, asked: Asked) -> AreaResults:
        with parts.sessions.read() as session:
            return public_results.area_results(
                session,
                slug,
                asked.filter,
                season_first_day=parts.season_first_day(),
                now=parts.clock(),
            )

    def exact(request: Request) -> Asked:
        """Of those who cannot see a sentence beside a field."""
        asked = read_asked(request.query_params)
        for name, sentence in asked.errors.items():
            raise HTTPException(422, f"{name}: {sentence[:1].lower()}{sentence[1:].rstrip('.')}")
        return asked

    @app.get("/areas")
    def areas() -> HTMLResponse:
        with parts.sessions.read() as session:
            names = public_results.area_names(session)
        return pages.show("areas.html", headers=NO_HEADERS, areas=names)

    @app.get("/areas/{slug}.csv")
    def area_csv(request: Request, slug: str) -> Response:
        shown = found(slug, exact(request))
        return answer_with_tag(
            request,
            shown.tag("csv"),
            lambda: Response(
                _csv(shown),
                media_type="text/csv; charset=utf-8; header=present",
                headers={"Content-Disposition": f'inline; filename="area-{shown.season}.csv"'},
            ),
        )

    @app.get("/areas/{slug}.json")
    def area_json(request: Request, slug: str) -> Response:
        shown = found(slug, exact(request))
        return answer_with_tag(
            request,
            shown.tag("json"),
            lambda: Response(
                AreaAnswer.model_validate(shown).model_dump_json(), media_type="application/json"
            ),
        )

    @app.get("/areas/{slug}.atom")
    def area_feed(request: Request, slug: str) -> Response:
        shown = found(slug, exact(request))
        return answer_with_tag(
            request,
            shown.tag("atom"),
            lambda: Response(
                _feed(parts, shown, str(request.base_url)), media_type="application/atom+xml"
            ),
        )

    @app.get("/areas/{slug}/chart.svg")
    def area_chart(request: Request, slug: str) -> Response:
        asked = exact(request)
        shown = found(slug, asked)
        chart = _chart(shown, asked.index)
        return answer_with_tag(
            request,
            shown.tag("chart", chart.index),
            lambda: Response(
                results_chart.draw(chart, "svg", parts.templates.wording("en")),
                media_type="image/svg+xml",
                headers={"Content-Security-Policy": CHART_POLICY},
            ),
        )

    @app.get("/areas/{slug}")
    def area(request: Request, slug: str) -> Response:
        asked = read_asked(request.query_params)
        shown = found(slug, asked)
        return answer_with_tag(
            request,
            shown.tag("page", asked.said, asked.errors),
            lambda: _page(parts, pages, shown, asked),
        )


def _page(parts: Parts, pages: Pages, shown: AreaResults, asked: Asked) -> HTMLResponse:
    words = parts.templates.wording("en")
    chart = _chart(shown, asked.index)
    narrowed = {
        name: asked.said[name]
        for name in ("index", "method", "place", "from", "to")
        if asked.said.get(name) and name not in asked.errors
    }
    return pages.show(
        "area.html",
        headers=NO_HEADERS,
        shown=shown,
        asked=asked,
        narrowed=narrowed,
        query=f"?{urlencode(narrowed)}" if narrowed else "",
        is_narrowed=bool(narrowed.keys() - {"index"}),
        methods=METHODS,
        rounds=public_results.newest_rounds(shown),
        least_fields=public_results.LEAST_FIELDS,
        chart_index=chart.index,
        chart_says=results_chart.describe(chart, words),
        sum=public_results.worked_sum(shown, asked.own, parts.guidelines, chart.index),
    )


def _chart(shown: AreaResults, wanted: Index | None) -> ResultsChart:
    """Results in one index: the one asked for, else the one most results are in."""
    known = shown.indexes()
    index = wanted or (known[0] if known else Index.RFV)
    by_field: dict[str, list[ChartResult]] = {}
    for one in shown.results:
        value = one.value(index)
        if value is not None:
            result = ChartResult(one.sampled_on, value, one.method, cutting=one.cutting)
            by_field.setdefault(one.field, []).append(result)
    return ResultsChart(
        title=f"{shown.area.name} {shown.season}",
        index=index,
        fields=tuple(FieldResults(name, tuple(group)) for name, group in by_field.items()),
    )


def _csv(shown: AreaResults) -> str:
    return csv_of(
        CSV_HEADER,
        (
            (
                one.sampled_on.isoformat(),
                one.field,
                one.place,
                one.cutting,
                one.method.value,
                None if one.rfv is None else int(one.rfv),
                None if one.rfq is None else int(one.rfq),
                one.ndf,
            )
            for one in shown.results
        ),
    )


def _feed(parts: Parts, shown: AreaResults, asked_at: str) -> bytes:
    """An Atom feed (RFC 4287); ids are tag URIs (RFC 4151) that outlive a change of address."""
    from feedgen.feed import FeedGenerator  # loaded with the first feed

    base = (parts.settings.public_url or asked_at).rstrip("/")
    page = f"{base}/areas/{shown.area.slug}"
    season = datetime.combine(parts.season_first_day(), time(), tzinfo=UTC)
    tag = f"tag:{urlsplit(base).hostname},{season:%Y-%m-%d}:areas/{shown.area.slug}"
    feed = FeedGenerator()
    feed.id(tag)
    feed.title(f"{shown.area.name}: results of reference fields, {shown.season}")
    feed.author({"name": "Cutcall"})
    feed.generator("Cutcall")
    feed.link(href=page, rel="alternate", type="text/html")
    feed.link(href=f"{page}.atom", rel="self", type="application/atom+xml")
    feed.updated(shown.updated or season)
    for one in shown.results:
        entry = feed.add_entry(order="append")
        entry.id(f"{tag}/{one.id}")
        entry.title(f"{one.field}, {one.sampled_on}: {_readings(one)}")
        entry.updated(one.updated)
        entry.link(href=page, rel="alternate")
        place = f" ({one.place})" if one.place else ""
        entry.content(
            f"{one.field}{place}, sampled {one.sampled_on}, cutting {one.cutting}, by "
            f"{METHODS[one.method]}: {_readings(one)}. Standing crop, before any loss.",
            type="text",
        )
    atom: bytes = feed.atom_str(pretty=True)
    return atom


def _readings(one: PublicResult) -> str:
    said = [
        f"{index.label} {value:.1f}" if index is Index.NDF else f"{index.label} {value:.0f}"
        for index in Index
        if (value := one.value(index)) is not None
    ]
    return ", ".join(said)
