"""Errors for programs, as RFC 9457 describes them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from http import HTTPStatus

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse

from alerts.domain.errors import CutcallError, UnknownField, UnreadableDocument
from alerts.services.access.repeated_requests import KeyReused, KeyUnusable
from alerts.services.access.scope import NotYours
from alerts.services.access.tokens import ScopeMissing, TokenRefused

MEDIA_TYPE = "application/problem+json"

_STATUS: Mapping[type[CutcallError], HTTPStatus] = {
    TokenRefused: HTTPStatus.UNAUTHORIZED,
    ScopeMissing: HTTPStatus.FORBIDDEN,
    NotYours: HTTPStatus.NOT_FOUND,
    UnknownField: HTTPStatus.NOT_FOUND,
    UnreadableDocument: HTTPStatus.UNPROCESSABLE_ENTITY,
    KeyUnusable: HTTPStatus.BAD_REQUEST,
    KeyReused: HTTPStatus.UNPROCESSABLE_ENTITY,
}
"""What each refusal of the services is over HTTP; any other one is a conflict with what is."""

_HINTS = {
    HTTPStatus.NOT_FOUND: "there is nothing at this address; openapi.json lists what there is",
    HTTPStatus.METHOD_NOT_ALLOWED: "this address does not take {method}; it takes {allow}",
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One value that is wrong: where, as a JSON pointer (RFC 6901) or a name, and how."""

    where: str
    detail: str


def problem(
    status: int,
    detail: str,
    headers: Mapping[str, str] | None = None,
    faults: Sequence[Fault] = (),
) -> JSONResponse:
    """The answer; a refused token is told by which scheme to come (RFC 9110, 11.6.1)."""
    body: dict[str, object] = {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": int(status),
        "detail": detail,
    }
    if faults:
        body["errors"] = [{"where": one.where, "detail": one.detail} for one in faults]
    told = dict(headers or {})
    if status == HTTPStatus.UNAUTHORIZED:
        told.setdefault("WWW-Authenticate", "Bearer")
    return JSONResponse(
        body,
        status_code=status,
        headers={"Cache-Control": "no-store", **told},
        media_type=MEDIA_TYPE,
    )


def add_problems(api: FastAPI) -> None:
    """Answer every error of an application of programs with a problem."""

    @api.exception_handler(CutcallError)
    def refused(request: Request, error: CutcallError) -> JSONResponse:
        status = next(
            (status for kind, status in _STATUS.items() if isinstance(error, kind)),
            HTTPStatus.CONFLICT,
        )
        headers = {}
        if isinstance(error, ScopeMissing):
            headers["WWW-Authenticate"] = 'Bearer error="insufficient_scope"'  # RFC 6750, 3.1
        return problem(status, str(error), headers)

    @api.exception_handler(RequestValidationError)
    def not_valid(request: Request, error: RequestValidationError) -> JSONResponse:
        faults = [_fault(one["loc"], str(one["msg"])) for one in error.errors()]
        first = faults[0]
        detail = f"{first.where}: {first.detail}"
        return problem(HTTPStatus.UNPROCESSABLE_ENTITY, detail, faults=faults)

    @api.exception_handler(HTTPException)
    def http_error(request: Request, error: HTTPException) -> JSONResponse:
        headers = dict(error.headers or {})
        detail = str(error.detail)
        status = HTTPStatus(error.status_code)
        if detail == status.phrase and status in _HINTS:
            allow = headers.get("Allow", headers.get("allow", ""))
            detail = _HINTS[status].format(method=request.method, allow=allow)
        return problem(status, detail, headers)

    @api.exception_handler(Exception)
    def broken(request: Request, error: Exception) -> JSONResponse:
        # The log has the fault itself; it may hold what a caller must not see.
        return problem(
            HTTPStatus.INTERNAL_SERVER_ERROR,
            "something went wrong here, not with what you sent; try again later, with the same "
            "Idempotency-Key if you gave one",
        )


def _fault(loc: Sequence[int | str], message: str) -> Fault:
    """A fault in the words of pydantic, which never repeat what was sent here."""
    part, *rest = loc
    if part == "body":
        where = "".join(f"/{one}" for one in rest) if rest else "the body"
    else:
        where = str(rest[0]) if rest else str(part)
    plain = message.removeprefix("Value error, ")
    return Fault(where, plain[:1].lower() + plain[1:])
