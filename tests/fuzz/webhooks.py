"""Fuzzers of what the text gateway posts, signed and not."""

from __future__ import annotations

import base64
import hmac
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import parse_qsl, quote, urlencode

import httpx
from factories import PHONE
from fuzz.answers import EXAMPLES
from fuzz.material import MARKUP, TOKENS, changed_texts, forms
from fuzz.running import Fuzzer, Trial
from fuzz.texts import BODIES
from fuzz.world import KEY, PUBLIC, World, opened_world
from hypothesis import strategies as st
from hypothesis.strategies import DrawFn

from alerts.intake.inbound_text import Unclear, read_text
from alerts.store.tables import Cut, InboundText, OptOut, OutboxMessage

INBOUND, STATUS = "/webhooks/sms/inbound", "/webhooks/sms/status"
TEXT = {**dict(EXAMPLES["inbound_form"]), "From": PHONE}
SAMPLES: Sequence[dict[str, str]] = (
    {name: value for name, value in TEXT.items() if name != "OptOutType"},
    TEXT,
    {"SmsSid": "SM9", "From": PHONE, "Body": "cut north"},
)
RECEIPTS: Sequence[dict[str, str]] = tuple(
    {
        **dict(EXAMPLES["status_callback_form"]),
        "MessageSid": f"gw-{number}",
        "MessageStatus": status,
    }
    for number in (1, 2, 99)
    for status in ("queued", "sent", "delivered", "undelivered", "failed", "?")
)
KNOWN_NAMES = ("North", "Plum Bottom")
PLACES = st.sampled_from((INBOUND, STATUS))


@dataclass(frozen=True, slots=True)
class Call:
    """A post of the gateway, or of somebody who would like to pass for it."""

    path: str
    query: str
    content: bytes
    signature: str  # "right", or what is sent in its place
    header: str


@st.composite
def calls(draw: DrawFn) -> Call:
    path = draw(PLACES)
    pairs = draw(forms(SAMPLES if path == INBOUND else RECEIPTS, TOKENS))
    if path == INBOUND and draw(st.booleans()):
        body = draw(BODIES)
        pairs = [(name, body if name == "Body" else value) for name, value in pairs]
    content = urlencode(pairs, errors="surrogatepass").encode()
    if draw(st.integers(0, 5)) == 0:
        content = draw(changed_texts([content.decode()])).encode("utf-8", "replace")
    query = draw(
        st.sampled_from(("", "", "m=1", "m=%00", "bodySHA256=00", "m=&m=%ED%A0%80", "=;;&"))
    )
    if draw(st.integers(0, 4)) == 0:
        query = quote(draw(TOKENS).encode("utf-8", "surrogatepass"), safe="=&;+")
    signature = draw(st.sampled_from(("right", "right", "right", "right", "")) | TOKENS)
    header = draw(
        st.sampled_from(("x-twilio-signature", "x-twilio-signature", "x-signalwire-signature"))
    )
    return Call(path, query, content, signature, header)


def signed(call: Call, pairs: Sequence[tuple[str, str]]) -> str:
    """The right signature, made here anew and not by the package."""
    said = PUBLIC + call.path + ("?" + call.query if call.query else "")
    if call.header.startswith("x-twilio"):
        said += "".join(f"{name}{value}" for name, value in sorted(set(pairs)))
    else:
        said += "".join(f"{n}{v}" for n, v in sorted(pairs, key=lambda pair: pair[0]))
    return base64.b64encode(hmac.digest(KEY.encode(), said.encode(), "sha1")).decode()


def check_call(world: World, call: Call) -> None:
    """Signed, it is taken and kept; else it is refused without a word and changes nothing."""
    pairs = parse_qsl(call.content.decode("utf-8", "replace"), keep_blank_values=True)
    given = signed(call, pairs) if call.signature == "right" else call.signature
    raw = re.sub(rb"[\r\n\x00]", b"", given.encode("latin-1", "replace"))
    before = _rows(world)
    answer = world.ask(
        "POST",
        f"{call.path}?{call.query}" if call.query else call.path,
        headers=httpx.Headers([(call.header.encode(), raw)]),
        content=call.content,
    )
    assert answer.status_code in (200, 204, 403, 413), answer.text[:500]
    after = _rows(world)
    if answer.status_code in (403, 413):
        assert answer.content == b""
        assert after == before, "refused, but something changed"
    if call.signature != "right":
        assert answer.status_code in (403, 413)
    elif "bodySHA256" not in call.query and len(pairs) <= 200 and len(call.content) <= 65536:
        assert answer.status_code in (200, 204), "signed, but refused"
    if answer.status_code == 200:
        _taken(world, dict(pairs), before, after, answer)


def _taken(
    world: World,
    said: dict[str, str],
    before: tuple[int, ...],
    after: tuple[int, ...],
    answer: httpx.Response,
) -> None:
    """The text is kept as it came; one that is not understood only gets an answer."""
    assert MARKUP not in answer.text
    body = said.get("Body", "").replace("\x00", "")
    if after[0] > before[0]:
        assert body in [row.body for row in world.service.rows(InboundText)], "the text was lost"
    unclear = isinstance(read_text(body, world.service.clock().date(), KNOWN_NAMES), Unclear)
    if unclear and not said.get("OptOutType"):
        assert after[1:3] == before[1:3], "not understood, but acted upon"


def _rows(world: World) -> tuple[int, ...]:
    """How many texts, cuts, addresses that are left alone, and messages there are."""
    return tuple(
        len(world.service.rows(table)) for table in (InboundText, Cut, OptOut, OutboxMessage)
    )


@contextmanager
def _opened(folder: Path) -> Iterator[Trial[list[Call]]]:
    with opened_world(folder) as world:

        def check(several: list[Call]) -> None:
            world.restore()
            for call in several:
                check_call(world, call)

        yield Trial(st.lists(calls(), min_size=1, max_size=3), check)


FUZZERS: tuple[Fuzzer, ...] = (Fuzzer("webhooks", _opened, 60),)
