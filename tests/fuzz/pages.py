"""Fuzzers of the pages: every route there is, and every form as the page itself offers it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import quote, quote_from_bytes, urlencode

import httpx
from fastapi import APIRouter, FastAPI
from fuzz.material import (
    DAYS,
    MARKUP,
    NUMBERS,
    TOKENS,
    changed_texts,
    documents,
    forms,
    sample_texts,
    whole,
)
from fuzz.running import Fuzzer, Trial
from fuzz.world import PUBLIC, World, opened_world
from hypothesis import strategies as st
from hypothesis.strategies import DrawFn, SearchStrategy
from starlette.routing import Mount

from alerts.services.access.links import LinkGone, Role, open_link
from alerts.services.delivery.unsubscribe import BadLink, address_url, read_token

REFUSALS = {400, 401, 403, 404, 405, 413, 415, 422}
LIKELY = st.sampled_from(
    ("+12025550143", "202-555-0199", "ada@example.org", "A@[127.0.0.1]", "yes", "on", "North",
     "2027-05-14", "2027-05-11", "07:00", "13053", "99999", "rfq", "ndf", "dry_hay", "text", "both",
     "28", "bud", "flower", "nir", "160", "25", "1", "2", "3", "send", "add", "remove-1",
     "remove-9", "remove-²", "es", "work", "lang-es", "save", "publish", "7", "weekly")
)  # fmt: skip
VALUES = LIKELY | st.sampled_from(NUMBERS) | st.sampled_from(DAYS) | TOKENS
CHARSETS = st.sampled_from(
    ("utf-8", "utf-7", "utf-16", "idna", "punycode", "hex", "rot13", "unicode_escape",
     "raw_unicode_escape", "undefined", "mbcs", "x", '"', "\x00", "utf-32-le", "utf-8-sig")
)  # fmt: skip
QUERIES = st.lists(
    st.tuples(
        st.sampled_from(("lang", "done", "by", "from", "to", "method", "place", "m", "cursor",
                         "limit", "area", "field", "sort", "q", "status", "day", "lab"))
        | TOKENS,
        VALUES | st.sampled_from(("es", "wet", "stem", "", "text", "all")),
    ),
    max_size=3,
)  # fmt: skip
HEADER_NAMES = st.sampled_from(
    ("accept-language", "if-none-match", "accept", "range", "referer", "x-forwarded-for",
     "if-modified-since", "idempotency-key", "authorization", "cookie", "origin")
)  # fmt: skip


def as_header(text: str) -> bytes:
    return re.sub(rb"[\r\n\x00]", b"", text.encode("latin-1", "replace"))


@dataclass(frozen=True, slots=True)
class Visit:
    """One request."""

    method: str
    target: str
    headers: Sequence[tuple[str, bytes]] = ()
    content: bytes = b""


# --------------------------------------------------------------------------- routes


def routes(app: FastAPI | APIRouter, before: str = "") -> Iterator[tuple[str, str]]:
    """(method, path) of every route, those of mounted and included ones too."""
    for route in app.routes:
        included = getattr(route, "original_router", None)
        if included is not None:
            yield from routes(included, before)
        elif isinstance(route, Mount):
            yield "GET", f"{before}{route.path}/{{path}}"
            if isinstance(route.app, FastAPI):
                yield from routes(route.app, before + route.path)
        elif methods := getattr(route, "methods", None):
            for method in sorted(methods - {"HEAD"}):
                yield method, f"{before}{getattr(route, 'path', '')}"


class _Forms(HTMLParser):
    """The forms of a page: where they are sent, and what is filled in."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str]]] = []
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = {name: value or "" for name, value in attrs}
        name = said.get("name", "")
        if tag == "form":
            self.found.append((said.get("action", ""), {}))
        if not self.found:
            return
        fields = self.found[-1][1]
        if tag == "select":
            self._select = name
        if tag == "option" and self._select and ("selected" in said or self._select not in fields):
            fields[self._select] = said.get("value", "")
        elif name and tag in ("input", "textarea", "button", "select"):
            fields[name] = said.get("value", "")


@dataclass(frozen=True, slots=True)
class Site:
    """Routes with their valid values, and the forms found on the pages themselves."""

    world: World
    addresses: tuple[tuple[str, str], ...]
    samples: Mapping[str, tuple[Mapping[str, str], ...]] = field(default_factory=dict)

    def filled(self, path: str, others: Mapping[str, str]) -> str:
        """The path with a valid value for each of its parts, but for those of ``others``."""

        def part(found: re.Match[str]) -> str:
            name = found.group(1)
            return others.get(name) or quote(self.valid(path, name), safe="")

        return re.sub(r"{(\w+)(?::\w+)?}", part, path)

    def valid(self, path: str, name: str) -> str:
        role = path.strip("/").partition("/")[0]
        if name == "token" and role in set(Role):
            return self.world.links[Role(role)]
        if name == "token":
            return stop_token(self.world)
        return self.world.ids.get(name, "1")


def stop_token(world: World) -> str:
    secret = world.service.parts.secret
    return address_url(PUBLIC, secret, "email", "ada@example.org").rpartition("/")[2]


def map_site(world: World) -> Site:
    """Visit each page once and note its forms under the route that they are sent to."""
    addresses = tuple(
        one for one in routes(world.app) if not one[1].startswith(("/api/v1/", "/webhooks/"))
    )
    site = Site(world, addresses)
    found: dict[str, list[Mapping[str, str]]] = {}
    for method, path in addresses:
        if method != "GET":
            continue
        answer = world.ask("GET", site.filled(path, {}))
        if "text/html" not in answer.headers.get("content-type", ""):
            continue
        reader = _Forms()
        reader.feed(answer.text)
        for action, fields in reader.found:
            target = httpx.URL(f"{world.client.base_url}").join(action).path if action else path
            found.setdefault(_route_of(site, target) or path, []).append(fields)
    return Site(world, addresses, {path: tuple(each) for path, each in found.items()})


def _route_of(site: Site, target: str) -> str:
    return next(
        (path for method, path in site.addresses
         if method == "POST" and site.filled(path, {}) == target),
        "",
    )  # fmt: skip


# ------------------------------------------------------------------------- requests


@st.composite
def visits(draw: DrawFn, site: Site, methods: Sequence[str] = ()) -> Visit:
    method, path = draw(
        st.sampled_from([one for one in site.addresses if not methods or one[0] in methods])
    )
    others: dict[str, str] = {}
    for name in re.findall(r"{(\w+)", path):
        if draw(st.integers(0, 4 if name == "token" else 2)) == 0:
            wrong = draw(VALUES | changed_texts([site.valid(path, name)]))
            others[name] = (
                quote_from_bytes(wrong.encode("utf-8", "surrogatepass"), safe="") or "%20"
            )
    target = site.filled(path, others)[:4000]
    query = draw(QUERIES) if draw(st.booleans()) else []
    if query:
        target += "?" + urlencode(query, errors="surrogatepass")[:4000]
    headers = [
        (draw(HEADER_NAMES), as_header(draw(VALUES)))
        for _ in range(draw(st.sampled_from((0, 0, 0, 1, 2))))
    ]
    if method != "POST":
        return Visit(method, target, headers)
    kind, content = draw(bodies(site.samples.get(path, ({},))))
    return Visit(method, target, [*headers, ("content-type", kind)], content)


@st.composite
def bodies(draw: DrawFn, samples: Sequence[Mapping[str, str]]) -> tuple[bytes, bytes]:
    """(content type, body) of a form: usual, with a file, or nonsense."""
    pairs = draw(forms(samples, VALUES))
    kind = draw(st.integers(0, 9))
    if kind == 0:
        return as_header(draw(st.just("multipart/form-data") | TOKENS)), draw(st.binary())
    if kind <= 3:
        return draw(parts_of(pairs))
    content = urlencode(pairs, errors="surrogatepass").encode()
    if kind == 4:
        content = draw(changed_texts([content.decode()])).encode("utf-8", "replace")
    return b"application/x-www-form-urlencoded", content


@st.composite
def parts_of(draw: DrawFn, pairs: Sequence[tuple[str, str]]) -> tuple[bytes, bytes]:
    """The same as multipart, with an encoding and perhaps with a file."""
    body = bytearray()
    for name, value in pairs:
        body += b'--xx\r\nContent-Disposition: form-data; name="' + _raw(name) + b'"\r\n\r\n'
        body += value.encode("utf-8", "surrogatepass") + b"\r\n"
    if draw(st.booleans()):
        file_name, content = draw(VALUES.map(whole)), draw(ROSTER_FILES)
        body += b'--xx\r\nContent-Disposition: form-data; name="roster"; filename="'
        body += _raw(file_name) + b'"\r\nContent-Type: text/csv\r\n\r\n' + content + b"\r\n"
    body += b"--xx--\r\n"
    charset = draw(st.just("") | CHARSETS)
    suffix = f"; charset={charset}" if charset else ""
    return as_header(f"multipart/form-data; boundary=xx{suffix}"), bytes(body)


def _raw(text: str) -> bytes:
    return re.sub(rb'[\r\n"]', b"", text.encode("utf-8", "surrogatepass"))


ROSTER_FILES: SearchStrategy[bytes] = documents(
    (
        *sample_texts("rosters/*.csv"),
        "farm,field,area,farmer,phone\nPlum Bottom,North,Heron Flats,Ada Lindqvist,+12025550143\n"
        "New Farm,East,Heron Flats,Ida Marlow,+12025550155\n",
    )
)


# ---------------------------------------------------------------------------- checks


def check_visit(world: World, visit: Visit) -> httpx.Response:
    """No fault of ours, nothing changed by what was refused, and no markup of a visitor's."""
    before = world.kept()
    answer = world.ask(
        visit.method,
        visit.target,
        headers=httpx.Headers([(name.encode(), value) for name, value in visit.headers]),
        content=visit.content,
    )
    assert answer.status_code < 500, answer.text[:500]
    if answer.status_code in REFUSALS:
        assert world.kept() == before, f"refused with {answer.status_code}, but something changed"
    kind = answer.headers.get("content-type", "")
    assert kind or not answer.content
    if "html" in kind or "svg" in kind or "xml" in kind:
        assert MARKUP not in answer.text, "markup of the visitor's stands on the page"
    where = answer.headers.get("location", "/")
    assert where.startswith("/") and not where.startswith("//")
    assert answer.headers["x-content-type-options"] == "nosniff"
    return answer


def _fuzzer(name: str, methods: Sequence[str], most: int, examples: int) -> Fuzzer:
    @contextmanager
    def opened(folder: Path) -> Iterator[Trial[list[Visit]]]:
        with opened_world(folder) as world:
            site = map_site(world)
            assert len(site.samples) > 5, "the forms of the pages were not found"

            def check(several: list[Visit]) -> None:
                world.restore()
                for visit in several:
                    check_visit(world, visit)

            yield Trial(st.lists(visits(site, methods), min_size=1, max_size=most), check)

    return Fuzzer(name, opened, examples)


@contextmanager
def _uploads(folder: Path) -> Iterator[Trial[tuple[bytes, str]]]:
    """A roster through the consultant's page: looked at, then confirmed."""
    with opened_world(folder) as world:
        base = f"/consultant/{world.links[Role.CONSULTANT]}/upload"

        def check(given: tuple[bytes, str]) -> None:
            content, name = given
            world.restore()
            body = b'--xx\r\nContent-Disposition: form-data; name="roster"; filename="'
            body += _raw(name) + b'"\r\n\r\n' + content + b"\r\n--xx--\r\n"
            kind = b"multipart/form-data; boundary=xx"
            seen = check_visit(world, Visit("POST", base, [("content-type", kind)], body))
            found = re.search(r'name="upload" value="([^"]+)"', seen.text)
            if found:
                form = urlencode({"upload": found.group(1)}).encode()
                kind = b"application/x-www-form-urlencoded"
                check_visit(world, Visit("POST", f"{base}/confirm", [("content-type", kind)], form))

        yield Trial(st.tuples(ROSTER_FILES, VALUES.map(whole)), check)


@contextmanager
def _links(folder: Path) -> Iterator[Trial[tuple[Role, str]]]:
    """Only a number that was given out opens anything, and only pages of its own kind."""
    with opened_world(folder) as world:
        parts = world.service.parts
        stops = stop_token(world)
        given = (*world.links.values(), stops)

        def check(tried: tuple[Role, str]) -> None:
            role, token = tried
            with parts.sessions.read() as session:
                try:
                    found = open_link(session, parts.link_rules(), role, token, parts.clock())
                except LinkGone:
                    assert token != world.links[role]
                else:  # a signature is Base64, whose reader passes over other characters
                    assert str(found.link_id) == world.links[role].partition(".")[0]
                    assert token.startswith(f"{found.link_id}.")
            try:
                read_token(parts.secret, token)
            except BadLink:
                assert token != stops
            else:
                assert token == stops

        roles = st.sampled_from(Role)
        yield Trial(st.tuples(roles, changed_texts(given) | VALUES), check)


FUZZERS: tuple[Fuzzer, ...] = (
    _fuzzer("pages", (), 3, 40),
    _fuzzer("forms", ("POST",), 3, 40),
    Fuzzer("roster-upload", _uploads, 25),
    Fuzzer("links", _links, 100),
)
