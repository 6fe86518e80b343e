"""Bounds on what a program may send: how much, and how slowly."""

from __future__ import annotations

import asyncio
from http import HTTPStatus

from fastapi import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

GRACE_S = 30.0
"""Seconds for which a sender may be silent, and before its pace is judged."""

SLOWEST_BYTES_S = 2 * 1024
"""A sender slower than this on average holds a connection for nothing; the slowest rural line in
use carries ten times as much (our judgement)."""

SMALL = 64 * 1024
"""Bytes of a body that is not a document of results."""


class BodyLimits:
    """ASGI middleware: an HTTPException 413 or 408 to whoever reads a body past its bounds."""

    def __init__(
        self, app: ASGIApp, document_path: str, most_bytes: int, grace_s: float = GRACE_S
    ) -> None:
        """``most_bytes`` holds for posts to ``document_path``, SMALL for all others."""
        self.app, self.document_path, self.most_bytes = app, document_path, most_bytes
        self.grace_s = grace_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        is_document = scope["path"].endswith(self.document_path)
        most = self.most_bytes if is_document else SMALL
        bounded = _Bounded(scope, receive, most, self.grace_s)
        await self.app(scope, bounded, send)


class _Bounded:
    """Reads one body, counting."""

    def __init__(self, scope: Scope, receive: Receive, most: int, grace_s: float) -> None:
        self.receive, self.most, self.grace_s = receive, most, grace_s
        self.length = 0
        self.done = False
        self.started = asyncio.get_running_loop().time()
        said = dict(scope["headers"]).get(b"content-length", b"")
        self.said = int(said) if said.isdigit() else 0

    async def __call__(self) -> Message:
        if self.done:
            return await self.receive()  # waits for the end of the connection, however long
        if self.said > self.most:
            raise self._too_large()
        try:
            async with asyncio.timeout(self.grace_s):
                message = await self.receive()
        except TimeoutError:
            raise self._too_slow() from None
        self.length += len(message.get("body", b""))
        self.done = not message.get("more_body", False)
        if self.length > self.most:
            raise self._too_large()
        lasted = asyncio.get_running_loop().time() - self.started
        if not self.done and lasted > self.grace_s + self.length / SLOWEST_BYTES_S:
            raise self._too_slow()
        return message

    def _too_large(self) -> HTTPException:
        size = f"{self.most // 1024} KiB" if self.most < 1024**2 else f"{self.most // 1024**2} MiB"
        return HTTPException(
            HTTPStatus.REQUEST_ENTITY_TOO_LARGE, f"larger than {size}; send less at once"
        )

    def _too_slow(self) -> HTTPException:
        return HTTPException(
            HTTPStatus.REQUEST_TIMEOUT, "the body came too slowly; send it again, or send less"
        )
