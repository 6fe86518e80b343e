"""The season looked back at, under each kind of private link."""

from __future__ import annotations

from fastapi import FastAPI, Request
from starlette.responses import HTMLResponse, Response

from alerts.bootstrap import Parts
from alerts.domain.records import Index
from alerts.messages.sheets import Cell, csv_of
from alerts.services.access.links import Role
from alerts.services.outlooks.season_review import (
    FieldReview,
    SeasonReview,
    farmer_language,
    review_season,
)
from alerts.web.access import visitor
from alerts.web.language import LANGUAGES
from alerts.web.pages import PRIVATE, Pages

CSV_HEADER = (
    *("area", "farm", "field", "season", "cutting", "cut_on", "outlook_made_on"),
    *("outlook_is_later_than_cut", "first_told_on", "last_told_on", "told_farm_start_on"),
    *("told_field_start_on", "days_from_told_field_start", "index", "standing_target"),
    *("expected_at_cut", "expected_low", "expected_high", "better_than_target_by"),
    *("own_results", "last_sampled_on", "last_value", "last_index", "result_stands_in"),
    *("which_load", "harvest_days"),
)


def add_routes(app: FastAPI, parts: Parts) -> None:
    for role in Role:
        _add_pages_of(app, parts, role)


def _add_pages_of(app: FastAPI, parts: Parts, role: Role) -> None:
    pages = Pages(parts.templates)

    def found(request: Request, token: str) -> tuple[SeasonReview, str]:
        """The review and its reader's language; only the farmers' pages are in several."""
        holder = visitor(parts, role, token)
        said = request.query_params.get("season", "")
        season = int(said) if said.isascii() and said.isdigit() and len(said) <= 4 else None
        with parts.sessions.read() as session:
            review = review_season(
                session, holder, season, this_season=parts.season_first_day().year
            )
            language = farmer_language(session, holder)
        asked = request.query_params.get("lang", "")
        chosen = asked if asked in LANGUAGES else language
        return review, chosen if role is Role.FARM and chosen in LANGUAGES else "en"

    @app.get(f"/{role}/{{token}}/review")
    def page(request: Request, token: str) -> HTMLResponse:
        review, language = found(request, token)
        return pages.show(
            "review.html",
            language,
            review=review,
            base=f"/{role}/{token}",
            is_farm=role is Role.FARM,
            query=f"?lang={language}" if request.query_params.get("lang") == language else "",
            indexes={index.value: index for index in Index},
        )

    @app.get(f"/{role}/{{token}}/review.csv")
    def table(request: Request, token: str) -> Response:
        review, _ = found(request, token)
        name = f"season-{review.season}.csv"
        return Response(
            csv_of(CSV_HEADER, map(_row, review.fields)),
            media_type="text/csv; charset=utf-8; header=present",
            headers={**PRIVATE, "Content-Disposition": f'attachment; filename="{name}"'},
        )


def _row(one: FieldReview) -> tuple[Cell, ...]:
    known = one.known
    return (
        *(one.area, one.farm, one.field, one.season, one.cutting, str(one.cut_on)),
        *(_day(known.outlook_on), "yes" if known.outlook_is_later else "no"),
        *(_day(known.first_told_on), _day(known.told_on), _day(known.told_start)),
        *(_day(known.told_field_start), one.days_off, known.index, known.standing_target),
        *(known.expected, known.expected_low, known.expected_high, one.margin),
        *(known.results, _day(known.last_on), known.last_value, known.last_index),
        *(known.stands_in, known.which_load, known.harvest_days),
    )


def _day(day: object) -> str:
    return "" if day is None else str(day)
