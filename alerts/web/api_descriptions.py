"""What the OpenAPI document says of bodies and errors beside what FastAPI finds out itself."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from alerts.web.problems import MEDIA_TYPE


def refusals(*statuses: HTTPStatus) -> dict[int | str, dict[str, Any]]:
    """The errors of a route, as OpenAPI lists them."""
    content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    listed = sorted({*statuses, HTTPStatus.INTERNAL_SERVER_ERROR})
    return {status.value: {"description": _MEANS[status], "content": content} for status in listed}


_MEANS = {
    HTTPStatus.BAD_REQUEST: "the Idempotency-Key cannot be used",
    HTTPStatus.UNAUTHORIZED: "the token is missing, wrong, expired or revoked",
    HTTPStatus.FORBIDDEN: "the token lacks the scope",
    HTTPStatus.NOT_FOUND: "there is no such thing, or it is not yours",
    HTTPStatus.REQUEST_TIMEOUT: "the body came too slowly",
    HTTPStatus.CONFLICT: "it does not go with what is recorded already",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE: "the body is too large",
    HTTPStatus.UNSUPPORTED_MEDIA_TYPE: "the body is of a type that is not taken",
    HTTPStatus.UNPROCESSABLE_ENTITY: "something that was sent cannot be used; `detail` says what",
    HTTPStatus.INTERNAL_SERVER_ERROR: "something went wrong here",
}

TOKEN = (HTTPStatus.UNAUTHORIZED, HTTPStatus.FORBIDDEN)
BODY = (
    HTTPStatus.BAD_REQUEST,
    HTTPStatus.REQUEST_TIMEOUT,
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    HTTPStatus.UNPROCESSABLE_ENTITY,
)

_CSV_EXAMPLE = (
    "farm,field,sampled_on,lab_number,method,ndf_pct_dm,adf_pct_dm,rfv\n"
    "Plum Bottom,North,2027-05-10,K-1041,nir,34.1,26.0,187\n"
)
_JSON_EXAMPLE = {
    "lab": "kestrel",
    "results": [
        {
            "farm": "Plum Bottom",
            "field": "North",
            "sampled_on": "2027-05-10",
            "lab_number": "K-1041",
            "method": "nir",
            "rfv": 187,
        }
    ],
}
RESULTS_BODY = {
    "requestBody": {
        "required": True,
        "description": "A laboratory's own CSV, results in the plain format, or stem readings; "
        "or results in the plain format as JSON.",
        "content": {
            "text/csv": {"schema": {"type": "string"}, "example": _CSV_EXAMPLE},
            "text/plain": {"schema": {"type": "string"}},
            "application/json": {
                "schema": {"$ref": "#/components/schemas/ResultsIn"},
                "example": _JSON_EXAMPLE,
            },
        },
    }
}
