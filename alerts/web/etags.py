"""Answers that a reader who has them already need not fetch again (RFC 9110, 8.8.3 and 13.1.2)."""

from __future__ import annotations

from collections.abc import Callable

from starlette.requests import Request
from starlette.responses import Response

FRESH_S = 300
"""Seconds for which public results may be shown again without asking: results come twice a week."""


def answer_with_tag(request: Request, tag: str, make: Callable[[], Response]) -> Response:
    """What ``make`` gives, or 304 without making it where the reader names ``tag``."""
    etag = f'"{tag}"'
    if _is_named(request.headers.get("if-none-match", ""), etag):
        response = Response(status_code=304)
    else:
        response = make()
    response.headers["ETag"] = etag
    response.headers["Cache-Control"] = f"public, max-age={FRESH_S}"
    return response


def _is_named(header: str, etag: str) -> bool:
    named = [one.strip().removeprefix("W/") for one in header.split(",")]
    return etag in named or header.strip() == "*"
