"""HTTP over a connection that is opened for one request and closed after its answer.

A pool that keeps no connection still does its accounts for each, over all that are open.
"""

from __future__ import annotations

import os
import ssl
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager

import httpcore
import httpx

PROXIES = ("http_proxy", "https_proxy", "all_proxy")
"""Variables of the environment, in any case, that send requests through a proxy."""


def new_client() -> httpx.AsyncClient:
    """A client without idle connections: when the far side closes one just as it is reused, that
    cannot be told from a lost answer, and every such text would have to be looked up."""
    if any(name.lower() in PROXIES and given for name, given in os.environ.items()):
        # Which address goes through which proxy is the library's to know.
        return httpx.AsyncClient(limits=httpx.Limits(max_keepalive_connections=0))
    return httpx.AsyncClient(transport=OneShot())


class OneShot(httpx.AsyncBaseTransport):
    """Errors are those of `httpx.AsyncHTTPTransport`, of the same names."""

    def __init__(self) -> None:
        self._tls: ssl.SSLContext | None = None

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        url, stream = request.url, request.stream
        if url.scheme not in ("http", "https") or not url.raw_host:
            raise httpx.UnsupportedProtocol(f"cannot ask {url.scheme}://{url.host}")
        assert isinstance(stream, httpx.AsyncByteStream)
        target = httpcore.URL(
            scheme=url.raw_scheme, host=url.raw_host, port=url.port, target=url.raw_path
        )
        line = httpcore.AsyncHTTPConnection(target.origin, self._context(url))
        with _named_errors():
            try:
                answer = await line.handle_async_request(
                    httpcore.Request(
                        request.method,
                        target,
                        headers=request.headers.raw,
                        content=stream,
                        extensions=request.extensions,
                    )
                )
            except BaseException:
                await line.aclose()
                raise
        return httpx.Response(
            answer.status,
            headers=answer.headers,
            stream=_Answer(line, answer),
            extensions=answer.extensions,
        )

    def _context(self, url: httpx.URL) -> ssl.SSLContext | None:
        if url.scheme == "https" and self._tls is None:
            self._tls = httpx.create_ssl_context()
        return self._tls


class _Answer(httpx.AsyncByteStream):
    """The body of an answer; its connection ends with it."""

    def __init__(self, line: httpcore.AsyncHTTPConnection, answer: httpcore.Response) -> None:
        self._line, self._answer = line, answer

    async def __aiter__(self) -> AsyncIterator[bytes]:
        with _named_errors():
            async for part in self._answer.aiter_stream():
                yield part

    async def aclose(self) -> None:
        await self._line.aclose()


@contextmanager
def _named_errors() -> Iterator[None]:
    try:
        yield
    except httpcore.TimeoutException as error:
        raise _same(error, httpx.TimeoutException) from error
    except httpcore.NetworkError as error:
        raise _same(error, httpx.NetworkError) from error
    except httpcore.ProtocolError as error:
        raise _same(error, httpx.ProtocolError) from error


def _same(error: Exception, otherwise: type[httpx.TransportError]) -> httpx.TransportError:
    kind = getattr(httpx, type(error).__name__, otherwise)
    return kind(str(error))
