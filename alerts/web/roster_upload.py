"""Enrolling by a roster: what it would do is shown first, and done when that is confirmed."""

from __future__ import annotations

from dataclasses import fields
from http import HTTPStatus

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.responses import HTMLResponse, Response

from alerts.bootstrap import Parts
from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import ParsedRoster, RosterRow
from alerts.intake.roster import read_roster
from alerts.services.access.links import Role, Visitor
from alerts.services.consultants import roster_upload as service
from alerts.services.consultants.roster_upload import MOST_BYTES, MOST_ROWS, Fate
from alerts.web.access import visitor
from alerts.web.forms import read_form, text_of
from alerts.web.pages import PRIVATE, Pages

MOST_FORM_BYTES = MOST_BYTES + 16 * 1024
"""The file and what a browser wraps around it."""

MOST_NAME_CHARS = 120

NOT_THEIRS = frozenset({"row", "consultant", "consultant_email", "digest"})
"""What of a roster's row is no column, or need not be filled in: they are the consultant."""


PHRASES = {
    Fate.NEW_FARM: "of new farms",
    Fate.NEW_FIELD: "of new fields",
    Fate.CHANGED: "changed",
    Fate.UNCHANGED: "unchanged",
    Fate.REJECTED: "left out",
}
"""What becomes of rows, behind their number."""


def add_routes(app: FastAPI, parts: Parts) -> None:
    pages = Pages(parts.templates)

    def form_page(
        token: str, visiting: Visitor, problem: str = "", status: int = HTTPStatus.OK
    ) -> HTMLResponse:
        return pages.show(
            "roster_upload.html",
            status=status,
            base=f"/consultant/{token}",
            problem=problem,
            left_out=service.left_out(parts.sessions, visiting),
            most_rows=MOST_ROWS,
            most_mib=MOST_BYTES // (1024 * 1024),
        )

    @app.get("/consultant/{token}/upload")
    def choose_file(token: str) -> HTMLResponse:
        return form_page(token, visitor(parts, Role.CONSULTANT, token))

    @app.get("/consultant/{token}/roster.csv")
    def template(token: str) -> Response:
        visitor(parts, Role.CONSULTANT, token)
        headers = {**PRIVATE, "Content-Disposition": 'attachment; filename="roster.csv"'}
        return Response(empty_roster(), media_type="text/csv; charset=utf-8", headers=headers)

    @app.post("/consultant/{token}/upload")
    async def show_preview(request: Request, token: str) -> HTMLResponse:
        visiting = await run_in_threadpool(visitor, parts, Role.CONSULTANT, token)
        name, content = await _file(await read_form(request, MOST_FORM_BYTES, most_files=1))
        return await run_in_threadpool(look, token, visiting, name, content)

    def look(token: str, visiting: Visitor, name: str, content: bytes) -> HTMLResponse:
        if not content:
            return form_page(token, visiting, "Choose a file first; it must not be empty.", 422)
        upload = service.keep(
            parts.sessions, parts.link_rules(), visiting, name, content, parts.clock()
        )
        try:
            roster = parse(parts, upload.name, content)
        except UnreadableDocument as error:
            return form_page(token, visiting, str(error), 422)
        seen = service.preview(
            parts.sessions, visiting, roster, parts.guidelines, upload.name, parts.clock()
        )
        return preview_page(token, upload, seen, done=False)

    @app.post("/consultant/{token}/upload/confirm")
    async def enrol(request: Request, token: str) -> HTMLResponse:
        visiting = await run_in_threadpool(visitor, parts, Role.CONSULTANT, token)
        form = await read_form(request)
        return await run_in_threadpool(carry_out, token, visiting, text_of(form, "upload"))

    def carry_out(token: str, visiting: Visitor, upload_token: str) -> HTMLResponse:
        rules = parts.link_rules()
        upload = service.open_upload(parts.sessions, rules, visiting, upload_token)
        done = service.confirm(
            parts.sessions,
            rules,
            visiting,
            upload_token,
            parse(parts, upload.name, upload.content),
            parts.guidelines,
            parts.clock(),
        )
        return preview_page(token, upload, done, done=True)

    def preview_page(
        token: str, upload: service.Upload, seen: service.Preview, *, done: bool
    ) -> HTMLResponse:
        return pages.show(
            "roster_preview.html",
            base=f"/consultant/{token}",
            upload=upload,
            seen=seen,
            done=done,
            fates=list(PHRASES),
            phrases=PHRASES,
        )


async def _file(form: FormData) -> tuple[str, bytes]:
    """Name and content of the file sent; both empty where none was."""
    try:
        given = form.get("roster")
        if not isinstance(given, UploadFile):
            return "", b""
        name = " ".join((given.filename or "roster.csv").split())[:MOST_NAME_CHARS]
        return name, await given.read()
    finally:
        await form.close()


def parse(parts: Parts, name: str, content: bytes) -> ParsedRoster:
    """The roster's rows; UnreadableDocument when there are none, or more than `MOST_ROWS`."""
    roster = read_roster(
        content,
        name,
        animal_classes=parts.guidelines.animal_classes(),
        defaults=parts.roster_defaults(),
    )
    rows = len(roster.rows) + len(roster.rejections)
    if not rows:
        raise UnreadableDocument(f"{name} has a header but no rows: fill in a row for each field.")
    if rows > MOST_ROWS:
        raise UnreadableDocument(
            f"{name} has {rows} rows, more than the {MOST_ROWS} that are read at once: split it."
        )
    return roster


def empty_roster() -> bytes:
    """The header of a roster, to be filled in; UTF-8 with BOM, so that spreadsheets read it."""
    columns = [one.name for one in fields(RosterRow) if one.name not in NOT_THEIRS]
    return (",".join(columns) + "\r\n").encode("utf-8-sig")
