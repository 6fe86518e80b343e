"""A connection for each request, over real sockets: the same answers and errors as from a pool."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest

from alerts.transports.one_shot import OneShot, new_client

PROXIES = ("HTTP_PROXY", "http_proxy", "HTTPS_PROXY", "https_proxy", "ALL_PROXY", "all_proxy")
CERTIFICATE = Path(__file__).parents[1] / "data/messaging/localhost_tls.pem"
WHOLE = b"HTTP/1.1 200 OK\r\nContent-Length: 5\r\n\r\nhello"
HALF = WHOLE[:-2]
NOTHING = b""


class Peer:
    """Reads a request, says what it is told to, and notes when its connection ends."""

    def __init__(self, says: bytes, *, stays: bool = True) -> None:
        self.says, self.stays = says, stays
        self.requests: list[bytes] = []
        self.ended = asyncio.Event()
        self.port = 0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            self.requests.append(await reader.readuntil(b"\r\n\r\n"))
            writer.write(self.says)
            if self.stays:
                assert await reader.read() == b""
                self.ended.set()
        except asyncio.IncompleteReadError:
            pass  # whoever wanted to speak otherwise has gone
        finally:
            writer.close()


@asynccontextmanager
async def listening(peer: Peer) -> AsyncIterator[Peer]:
    server = await asyncio.start_server(peer.serve, "127.0.0.1", 0)
    peer.port = server.sockets[0].getsockname()[1]
    async with server:
        yield peer


@pytest.fixture(autouse=True)
def _no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in PROXIES:
        monkeypatch.delenv(name, raising=False)


def ask(says: bytes, *, stays: bool = True, wait_s: float = 5.0) -> str:
    """The body of the answer of a peer, by a connection that is gone afterwards."""

    async def work() -> str:
        async with listening(Peer(says, stays=stays)) as peer, new_client() as client:
            answer = await client.get(f"http://127.0.0.1:{peer.port}/", timeout=wait_s)
            await asyncio.wait_for(peer.ended.wait(), 5)
            return answer.text

    return asyncio.run(work())


def test_connection_ends_with_its_answer_though_the_peer_would_keep_it() -> None:
    assert ask(WHOLE) == "hello"


def test_many_at_once_have_a_connection_each() -> None:
    async def work() -> tuple[int, set[str]]:
        async with listening(Peer(WHOLE)) as peer, new_client() as client:
            url = f"http://127.0.0.1:{peer.port}/"
            answers = await asyncio.gather(*(client.get(url) for _ in range(120)))
            return len(peer.requests), {answer.text for answer in answers}

    assert asyncio.run(work()) == (120, {"hello"})


@pytest.mark.parametrize(
    ("says", "stays", "error"),
    [
        (NOTHING, False, httpx.RemoteProtocolError),
        (HALF, False, httpx.RemoteProtocolError),
        (b"no HTTP at all\r\n\r\n", False, httpx.RemoteProtocolError),
        (NOTHING, True, httpx.ReadTimeout),
        (HALF, True, httpx.ReadTimeout),
    ],
)
def test_errors_bear_the_names_of_the_library(
    says: bytes, stays: bool, error: type[httpx.HTTPError]
) -> None:
    with pytest.raises(httpx.HTTPError) as raised:
        ask(says, stays=stays, wait_s=0.3)
    assert raised.type is error


def ask_over_tls() -> str:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(str(CERTIFICATE))

    async def work() -> str:
        peer = Peer(WHOLE, stays=False)
        server = await asyncio.start_server(peer.serve, "127.0.0.1", 0, ssl=context)
        port = server.sockets[0].getsockname()[1]
        async with server, new_client() as client:
            return (await client.get(f"https://localhost:{port}/")).text

    return asyncio.run(work())


def test_answer_over_tls_from_whom_the_certificates_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """SSL_CERT_FILE, as the library reads it, names whom to trust."""
    monkeypatch.setenv("SSL_CERT_FILE", str(CERTIFICATE))
    assert ask_over_tls() == "hello"


def test_nothing_is_said_to_whom_no_certificate_names() -> None:
    with pytest.raises(httpx.ConnectError, match="certificate"):
        ask_over_tls()


def test_nobody_listening_is_not_connected() -> None:
    async def work() -> None:
        async with listening(Peer(WHOLE)) as peer:
            port = peer.port
        async with new_client() as client:
            await client.get(f"http://127.0.0.1:{port}/")

    with pytest.raises(httpx.ConnectError):
        asyncio.run(work())


def test_peer_that_speaks_no_tls_is_not_connected() -> None:
    async def end(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(100)
        writer.write(WHOLE)
        writer.close()

    async def work() -> None:
        server = await asyncio.start_server(end, "127.0.0.1", 0)
        async with server, new_client() as client:
            await client.get(f"https://127.0.0.1:{server.sockets[0].getsockname()[1]}/")

    with pytest.raises(httpx.ConnectError):
        asyncio.run(work())


@pytest.mark.parametrize("url", ["ftp://127.0.0.1/", "http:///nowhere"])
def test_address_of_another_kind_is_refused(url: str) -> None:
    async def work() -> None:
        async with httpx.AsyncClient(transport=OneShot()) as client:
            await client.get(url)

    with pytest.raises(httpx.UnsupportedProtocol):
        asyncio.run(work())


@pytest.mark.parametrize("says", [NOTHING, HALF])
def test_connection_of_a_request_given_up_is_closed(says: bytes) -> None:
    async def work() -> None:
        async with listening(Peer(says)) as peer, new_client() as client:
            asked = asyncio.create_task(client.get(f"http://127.0.0.1:{peer.port}/"))
            while not peer.requests:
                await asyncio.sleep(0.01)
            asked.cancel()
            with pytest.raises(asyncio.CancelledError):
                await asked
            await asyncio.wait_for(peer.ended.wait(), 5)

    asyncio.run(work())


def test_proxy_of_the_environment_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    async def work() -> list[bytes]:
        async with listening(Peer(WHOLE)) as peer:
            monkeypatch.setenv("HTTP_PROXY", f"http://127.0.0.1:{peer.port}")
            async with new_client() as client:
                await client.get("http://gateway.example.org/texts")
            return peer.requests

    [request] = asyncio.run(work())
    assert request.startswith(b"GET http://gateway.example.org/texts HTTP/1.1")
