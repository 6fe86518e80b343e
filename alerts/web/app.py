"""The HTTP side: posting results, stopping an address, and whether the service is well."""

from __future__ import annotations

import hmac
import logging
from dataclasses import asdict
from html import escape
from http import HTTPStatus

from fastapi import FastAPI, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse
from starlette.concurrency import run_in_threadpool

from alerts.bootstrap import Parts
from alerts.domain.errors import CutcallError, UnreadableDocument
from alerts.intake.payload import read_body
from alerts.services.accept_results import IntakeReport, accept
from alerts.services.unsubscribe import BadLink, read_token, stop

log = logging.getLogger(__name__)

MIB = 1024 * 1024


def build_app(parts: Parts) -> FastAPI:
    """The application; it keeps nothing of its own."""
    app = FastAPI(title="Cutcall", docs_url=None, redoc_url=None)

    @app.post("/api/v1/results")
    async def post_results(request: Request, lab: str = "") -> Response:
        """Results as CSV (a laboratory's or the plain format) or JSON."""
        refusal = _refuse_post(parts, request)
        if refusal is not None:
            return refusal
        body = await _read_at_most(request, parts.settings.intake_max_mib * MIB)
        if body is None:
            return _problem(
                413, f"larger than {parts.settings.intake_max_mib} MiB; send less at once"
            )
        content_type = request.headers.get("content-type", "")
        return await run_in_threadpool(_accept, parts, content_type, body, lab)

    @app.get("/stop/{token}")
    def confirm_stop(token: str) -> HTMLResponse:
        """Shows a button: link scanners follow links, and must not stop anybody's messages."""
        try:
            _, address = read_token(parts.secret, token)
        except BadLink as error:
            return _page("This link does not work", str(error), status=404)
        button = '<form method="post"><button type="submit">Stop these messages</button></form>'
        return _page("Stop messages?", f"No more Cutcall messages will go to {address}.", button)

    @app.post("/stop/{token}")
    def act_on_stop(token: str) -> HTMLResponse:
        """The button above, or a mail program's one click (RFC 8058)."""
        try:
            address = stop(parts.sessions, parts.secret, token, parts.clock())
        except BadLink as error:
            return _page("This link does not work", str(error), status=404)
        return _page("Stopped", f"No more Cutcall messages will go to {address}.")

    @app.get("/healthz")
    def healthz() -> dict[str, str]:
        return {"status": "ok"}

    @app.exception_handler(CutcallError)
    def say_why(request: Request, error: CutcallError) -> JSONResponse:
        return _problem(400, str(error))

    return app


def _refuse_post(parts: Parts, request: Request) -> JSONResponse | None:
    token = parts.settings.intake_token.get_secret_value()
    if not token:
        return _problem(403, "posting is off; set CUTCALL_INTAKE_TOKEN to allow it")
    given = request.headers.get("authorization", "").removeprefix("Bearer ")
    if not hmac.compare_digest(given.encode(), token.encode()):
        return _problem(401, "the bearer token is missing or wrong; ask the operator for yours")
    return None


async def _read_at_most(request: Request, most: int) -> bytes | None:
    """The body, or None as soon as it grows past ``most`` bytes."""
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > most:
            return None
    return bytes(body)


def _accept(parts: Parts, content_type: str, body: bytes, lab: str) -> JSONResponse:
    try:
        now = parts.clock()
        document = read_body(f"post of {now:%Y-%m-%d %H:%M:%S} UTC", content_type, body, lab)
    except UnreadableDocument as error:
        return _problem(422, str(error))
    report = accept(parts.sessions, document, parts.intake_rules(), now)
    if report.refusal:
        return _problem(422, report.refusal)
    return JSONResponse(report_json(report))


def report_json(report: IntakeReport) -> dict[str, object]:
    """What became of a document, as posts and `cutcall intake --json` answer."""
    return {
        "document": report.document,
        "id": report.document_id,
        "accepted": report.accepted,
        "repeated": report.repeated,
        "corrected": report.corrected,
        "unmatched": report.unmatched,
        "rejected": [
            {"row": r.row, "column": r.column, "reason": r.reason} for r in report.rejected
        ],
        "notes": [asdict(note) for note in report.notes],
    }


def _problem(status: int, detail: str) -> JSONResponse:
    """An error as RFC 9457 describes it."""
    return JSONResponse(
        {
            "type": "about:blank",
            "title": HTTPStatus(status).phrase,
            "status": status,
            "detail": detail,
        },
        status_code=status,
        headers={"WWW-Authenticate": "Bearer"} if status == HTTPStatus.UNAUTHORIZED else None,
        media_type="application/problem+json",
    )


def _page(title: str, text: str, extra: str = "", status: int = 200) -> HTMLResponse:
    return HTMLResponse(
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title></head>"
        '<body style="max-width:34em;margin:3em auto;padding:0 1em;font:18px/1.5 Georgia,serif">'
        f"<h1>{escape(title)}</h1><p>{escape(text)}</p>{extra}</body></html>",
        status_code=status,
        headers={"Cache-Control": "no-store", "Referrer-Policy": "no-referrer"},
    )
