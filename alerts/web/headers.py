"""Headers of every answer."""

from __future__ import annotations

HEADERS = {
    # Nothing from elsewhere, no script or style inside a page: what a name or a lab's remark
    # holds can never run.
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
}
