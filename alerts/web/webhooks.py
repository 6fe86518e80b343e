"""What the text gateway posts: texts that people sent, and receipts of ours.

The signature is looked at before anything else. It covers our public address, which comes from the
settings: the Host header says whatever the sender likes.
"""

from __future__ import annotations

from xml.sax.saxutils import escape

from fastapi import FastAPI, Request, Response
from starlette.concurrency import run_in_threadpool

from alerts.bootstrap import Parts
from alerts.services.delivery.receipts import hear
from alerts.services.texts.replies import take_in
from alerts.web.forms import read_at_most

INBOUND, STATUS = "/webhooks/sms/inbound", "/webhooks/sms/status"
MOST_BYTES = 64 * 1024
"""A text of 1,600 characters takes under 15 KiB, encoded as a form."""


def add_routes(app: FastAPI, parts: Parts) -> None:
    @app.post(INBOUND, include_in_schema=False)
    async def text_in(request: Request) -> Response:
        form = await _signed_form(parts, request, INBOUND)
        if isinstance(form, Response):
            return form
        text = parts.sms_webhooks().text(form)
        if text is None:
            return _twiml("")
        taken = await run_in_threadpool(
            take_in, parts.sessions, parts.reply_rules(), text, parts.clock()
        )
        return _twiml(taken.answer)

    @app.post(STATUS, include_in_schema=False)
    async def receipt(request: Request) -> Response:
        form = await _signed_form(parts, request, STATUS)
        if isinstance(form, Response):
            return form
        seen = parts.sms_webhooks().receipt(form)
        if seen is not None:
            public_id = request.query_params.get("m", "").replace("\x00", "")
            await run_in_threadpool(hear, parts.sessions, public_id, seen, parts.clock())
        return Response(status_code=204)


async def _signed_form(
    parts: Parts, request: Request, path: str
) -> list[tuple[str, str]] | Response:
    """The form, or the answer to a request that is too large or not signed by the gateway."""
    body = await read_at_most(request, MOST_BYTES)
    if body is None:
        return Response(status_code=413)
    query = request.scope["query_string"].decode("latin-1")
    url = f"{parts.settings.public_url.rstrip('/')}{path}{'?' if query else ''}{query}"
    form = parts.sms_webhooks().form(url, request.headers, body)
    return Response(status_code=403) if form is None else list(form)


def _twiml(answer: str) -> Response:
    """The gateway's own markup: nothing, or one message to send at once."""
    inside = (
        f"<Response><Message>{escape(answer)}</Message></Response>" if answer else "<Response/>"
    )
    return Response(f'<?xml version="1.0" encoding="UTF-8"?>{inside}', media_type="text/xml")
