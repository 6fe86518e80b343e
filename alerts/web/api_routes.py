"""What programs may ask, address by address."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Depends, Header, Path, Query, Request, Response, Security
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse

from alerts.bootstrap import Parts
from alerts.domain.names import name_key
from alerts.domain.records import Method
from alerts.intake.payload import read_body
from alerts.services.access import repeated_requests, scope
from alerts.services.access.repeated_requests import Answer
from alerts.services.access.scope import NotYours
from alerts.services.access.tokens import Caller, Scope, TokenRefused, admit
from alerts.services.farms import read_farms
from alerts.services.farms.read_farms import OutlookFilter
from alerts.services.farms.record_cuts import cut_field_in
from alerts.services.results import public_results, read_documents
from alerts.services.results.accept_results import accept
from alerts.services.results.public_results import ResultFilter
from alerts.web import api_models as models
from alerts.web.api_descriptions import BODY, RESULTS_BODY, TOKEN, refusals
from alerts.web.etags import answer_with_tag
from alerts.web.ids import LARGEST_ID

router = APIRouter()

MOST_A_PAGE = 200
TAKEN_TYPES = ("text/csv", "text/plain", "application/json")

# ------------------------------------------------------------------- who asks for what

BEARER = HTTPBearer(
    scheme_name="token", description="A token from the operator: cutcall_...", auto_error=False
)


def _parts(request: Request) -> Parts:
    parts: Parts = request.app.state.parts
    return parts


PartsOf = Annotated[Parts, Depends(_parts)]


def _needs(wanted: Scope) -> Callable[..., Caller]:
    def admitted(
        parts: PartsOf,
        given: Annotated[HTTPAuthorizationCredentials | None, Security(BEARER)],
    ) -> Caller:
        if given is None:
            raise TokenRefused("the bearer token is missing or wrong; ask the operator for yours")
        return admit(parts.sessions, given.credentials, wanted, parts.clock())

    return admitted


SendsResults = Annotated[Caller, Depends(_needs(Scope.RESULTS_WRITE))]
ReadsFarms = Annotated[Caller, Depends(_needs(Scope.FARMS_READ))]
ReadsOutlooks = Annotated[Caller, Depends(_needs(Scope.OUTLOOKS_READ))]
RecordsCuts = Annotated[Caller, Depends(_needs(Scope.CUTS_WRITE))]

IdempotencyKey = Annotated[
    str | None,
    Header(
        description="any value of your own, such as a UUID; the same request under the same key "
        "gets the same answer for seven days",
        examples=["7b0e7f3c-6d0a-4f5e-9a53-0c1f6f1f2d11"],
    ),
]
Limit = Annotated[int, Query(ge=1, le=MOST_A_PAGE, description="most items of a page")]
Cursor = Annotated[str, Query(description="`next` of the page before; empty: the first page")]
Id = Annotated[int, Path(ge=1, le=LARGEST_ID)]


# --------------------------------------------------------------------------- results


@router.post(
    "/results",
    summary="Send results",
    tags=["results"],
    response_model=models.Intake,
    responses=refusals(*TOKEN, *BODY),
    openapi_extra=RESULTS_BODY,
)
async def post_results(
    request: Request,
    parts: PartsOf,
    caller: SendsResults,
    lab: Annotated[
        str, Query(description="laboratory whose format it is; found by its columns if left out")
    ] = "",
    idempotency_key: IdempotencyKey = None,
) -> JSONResponse:
    """Every row is answered for: taken, known, corrected, waiting for its field, or rejected with
    a sentence. A row that is rejected holds no other back."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in TAKEN_TYPES:
        raise HTTPException(
            HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "send text/csv or application/json; name the type"
        )
    body = await request.body()
    return await run_in_threadpool(_take, parts, caller, kind, body, lab, idempotency_key)


def _take(
    parts: Parts, caller: Caller, kind: str, body: bytes, lab: str, header: str | None
) -> JSONResponse:
    now = parts.clock()
    key = None if header is None else repeated_requests.read_key(header)
    digest = repeated_requests.digest_of(b"results", kind.encode(), lab.encode(), body)
    if key is not None:
        with parts.sessions.read() as session:
            before = repeated_requests.earlier_answer(session, caller.token_id, key, digest, now)
        if before is not None:
            return JSONResponse(before.body, before.status)
    part = hashlib.sha256(body).hexdigest()[:8]
    if caller.lab and lab and name_key(lab) != name_key(caller.lab):
        raise HTTPException(
            HTTPStatus.UNPROCESSABLE_ENTITY,
            f"lab: this token is for results of {caller.lab}; leave `lab` out",
        )
    name = f"post of {now:%Y-%m-%d %H:%M:%S} UTC by {caller.name} ({part})"
    document = replace(read_body(name, kind, body, caller.lab or lab), source=caller.sender.source)
    report = accept(parts.sessions, document, parts.intake_rules(), now)
    if report.refusal:
        raise HTTPException(HTTPStatus.UNPROCESSABLE_ENTITY, report.refusal)
    answer = Answer(HTTPStatus.OK, read_documents.report_json(report))
    if key is not None:
        with parts.sessions.write() as session:
            repeated_requests.keep_answer(session, caller.token_id, key, digest, answer, now)
    return JSONResponse(answer.body, answer.status)


@router.get(
    "/documents/{document_id}",
    summary="What became of a document you sent",
    tags=["results"],
    response_model=models.Document,
    responses=refusals(*TOKEN, HTTPStatus.NOT_FOUND, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def get_document(parts: PartsOf, caller: SendsResults, document_id: Id) -> object:
    """As it stands today: results that waited may have found their field since."""
    with parts.sessions.read() as session:
        return read_documents.document_of(session, caller.sender, document_id)


# ----------------------------------------------------------------------------- farms


def _after(cursor: str) -> int:
    """The id a cursor stands for; 0 for the first page."""
    if not cursor:
        return 0
    try:
        after = int(base64.urlsafe_b64decode(cursor.encode() + b"=="))
    except (binascii.Error, ValueError):
        after = -1
    if not 0 <= after <= LARGEST_ID:
        raise HTTPException(
            HTTPStatus.UNPROCESSABLE_ENTITY, "cursor: use the `next` of the page before unchanged"
        )
    return after


def _cursor(after: int | None) -> str | None:
    if after is None:
        return None
    return base64.urlsafe_b64encode(str(after).encode()).decode().rstrip("=")


@router.get(
    "/farms",
    summary="Your farms with their fields and targets",
    tags=["farms"],
    response_model=models.FarmPage,
    responses=refusals(*TOKEN, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def get_farms(
    parts: PartsOf, caller: ReadsFarms, limit: Limit = 50, cursor: Cursor = ""
) -> dict[str, object]:
    """Farms in the order they were enrolled; closed fields are left out."""
    with parts.sessions.read() as session:
        items, after = read_farms.farms_page(
            session, caller.visitor, after=_after(cursor), limit=limit
        )
    return {"items": items, "next": _cursor(after)}


@router.get(
    "/outlooks",
    summary="Outlooks of your fields",
    tags=["outlooks"],
    response_model=models.OutlookPage,
    responses=refusals(*TOKEN, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def get_outlooks(
    parts: PartsOf,
    caller: ReadsOutlooks,
    area: Annotated[str | None, Query(description="name of an area")] = None,
    farm: Annotated[int | None, Query(ge=1, le=LARGEST_ID, description="id of a farm")] = None,
    cutting: Annotated[int | None, Query(ge=1, le=20, description="open cutting")] = None,
    start_from: Annotated[date | None, Query(description="median start date, earliest")] = None,
    start_to: Annotated[date | None, Query(description="median start date, latest")] = None,
    limit: Limit = 50,
    cursor: Cursor = "",
) -> dict[str, object]:
    """Each open field with its own start date and standing quality for the coming days."""
    wanted = OutlookFilter(area, farm, cutting, start_from, start_to)
    with parts.sessions.read() as session:
        items, after = read_farms.outlooks_page(
            session, caller.visitor, wanted, after=_after(cursor), limit=limit
        )
    return {"items": items, "next": _cursor(after)}


@router.get(
    "/farms/{farm_id}/outlook",
    summary="A farm's start date and harvest order",
    tags=["outlooks"],
    response_model=models.FarmOutlook,
    responses=refusals(*TOKEN, HTTPStatus.NOT_FOUND, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def get_farm_outlook(parts: PartsOf, caller: ReadsOutlooks, farm_id: Id) -> object:
    """The latest day to start so that the chosen load still meets the standing target."""
    with parts.sessions.read() as session:
        return read_farms.farm_outlook(session, caller.visitor, farm_id)


# ------------------------------------------------------------------------------ cuts


def _json_only(request: Request) -> None:
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise HTTPException(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "send application/json")


@router.post(
    "/farms/{farm_id}/fields/{field_id}/cuts",
    summary="Record that a field was cut",
    tags=["farms"],
    status_code=HTTPStatus.CREATED,
    response_model=models.CutDone,
    responses=refusals(*TOKEN, *BODY, HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
    dependencies=[Depends(_json_only)],
)
def post_cut(
    parts: PartsOf,
    caller: RecordsCuts,
    farm_id: Id,
    field_id: Id,
    cut: models.CutIn,
    idempotency_key: IdempotencyKey = None,
) -> JSONResponse:
    """Closes the open cutting, opens the next, and takes back messages that still wait."""
    now = parts.clock()
    key = None if idempotency_key is None else repeated_requests.read_key(idempotency_key)
    asked = json.dumps(["cut", farm_id, field_id, cut.cut_on.isoformat()])
    digest = repeated_requests.digest_of(asked.encode())
    with parts.sessions.write() as session:
        if key is not None:
            known = repeated_requests.earlier_answer(session, caller.token_id, key, digest, now)
            if known is not None:
                return JSONResponse(known.body, known.status)
        if scope.require_field(session, caller.visitor, field_id).farm_id != farm_id:
            raise NotYours("there is no such field here")
        cutting = cut_field_in(
            session,
            field_id=field_id,
            cut_on=cut.cut_on,
            now=now,
            season_first_day=parts.season_first_day(),
        )
        body = {"field_id": field_id, "cutting": cutting, "cut_on": cut.cut_on.isoformat()}
        answer = Answer(HTTPStatus.CREATED, body)
        if key is not None:
            repeated_requests.keep_answer(session, caller.token_id, key, digest, answer, now)
    return JSONResponse(answer.body, answer.status)


# ----------------------------------------------------------------------------- areas


@router.get(
    "/areas",
    summary="Areas that publish results",
    tags=["areas"],
    response_model=models.AreaList,
    responses=refusals(),
)
def get_areas(parts: PartsOf) -> dict[str, object]:
    with parts.sessions.read() as session:
        return {"items": public_results.area_names(session)}


@router.get(
    "/areas/{slug}/results",
    summary="An area's results of this season",
    tags=["areas"],
    response_model=models.AreaResults,
    responses={
        **refusals(HTTPStatus.NOT_FOUND, HTTPStatus.UNPROCESSABLE_ENTITY),
        304: {"description": "nothing is new since the ETag you named in If-None-Match"},
    },
)
def get_area_results(
    parts: PartsOf,
    request: Request,
    slug: str,
    method: Annotated[Method | None, Query(description="wet chemistry, NIR, stem")] = None,
    place: Annotated[str | None, Query(description="as a result gives it")] = None,
    first: Annotated[date | None, Query(alias="from", description="earliest sample")] = None,
    last: Annotated[date | None, Query(alias="to", description="latest sample")] = None,
) -> Response:
    """Results of the reference fields; needs no token."""
    with parts.sessions.read() as session:
        found = public_results.area_results(
            session,
            slug,
            ResultFilter(method, place, first, last),
            season_first_day=parts.season_first_day(),
            now=parts.clock(),
        )
    return answer_with_tag(
        request,
        found.tag("api"),
        lambda: Response(
            models.AreaResults.model_validate(found).model_dump_json(),
            media_type="application/json",
        ),
    )
