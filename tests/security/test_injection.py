"""Names that try to break out of what they stand in, against everything we put out.

Kinds of attack: OWASP, 2021, Top 10 (A03: Injection), and OWASP, n.d., CSV Injection. Formats: Y.
Shafranovich, 2005, RFC 4180 (CSV); B. Desruisseaux, 2009, RFC 5545 (iCalendar); P. Resnick, 2008,
RFC 5322 (header lines); 3GPP TS 23.038 (GSM-7), from memory.
"""

from __future__ import annotations

import ast
import base64
import csv
import email
import email.policy
import gzip
import hmac
import io
import re
from collections.abc import Callable
from dataclasses import replace
from email.headerregistry import Address
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urlencode
from xml.etree import ElementTree

import httpx
import pytest
from factories import PHONE, Service
from pydantic import SecretStr

import alerts
from alerts.domain.errors import UnreadableDocument
from alerts.intake.roster import RosterDefaults, read_roster
from alerts.services.access.links import Role
from alerts.services.access.tokens import make_token
from alerts.services.delivery.outgoing import outgoing
from alerts.store.tables import FarmField, LabResult
from alerts.transports.email_message import build_email

Ask = Callable[..., httpx.Response]

RUN = ("=", "+", "-", "@", "\t", "\r", "\n")
SENDER = Address("Cutcall", addr_spec="cutcall@example.org")


class Elements(HTMLParser):
    """Elements of a page with their attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))

    handle_startendtag = handle_starttag


def unsafe(text: str) -> list[str]:
    """What of a page would run, or load, something that a name brought along."""
    odd = []
    for tag, attributes in Elements(text).found:
        handlers = [name for name in attributes if name.startswith("on")]
        loads = attributes.get("src") or ""
        data = attributes.get("type") == "application/json"  # is read, not run
        foreign = tag == "script" and not data and not loads.startswith("/static/")
        if handlers or loads == "x" or foreign:
            odd.append(f"<{tag} {attributes}>")
        if (attributes.get("href") or "").lower().startswith(("javascript:", "data:")):
            odd.append(f"<{tag} {attributes}>")
    return odd


def slug(ask: Ask) -> str:
    found = re.search(r'href="(?:https://[^/"]+)?/areas/([^"/.]+)"', ask("GET", "/areas").text)
    assert found is not None
    return f"/areas/{found[1]}"


# ------------------------------------------------------------------------------- pages


def test_no_name_becomes_an_element_of_a_page(
    hostile: Service, ask: Ask, pages: dict[Role, str]
) -> None:
    farm, consultant, sampler, operator = (pages[role] for role in Role)
    message = hostile.messages("digest")[0].id
    seen = [
        *(f"{farm}{end}" for end in ("", "/edit", "/review", "/stop", "/address")),
        *(f"{consultant}{end}" for end in ("", "/review", "/upload", "/farm/1", "/farm/2")),
        *(f"{sampler}{end}" for end in ("", "/print", "/review", "/clip", "/reading")),
        *(f"{operator}{end}" for end in ("", f"/message/{message}")),
        *("/", "/areas", slug(ask), "/signup"),
    ]
    hostile_pages = 0
    for path in seen:
        answer = ask("GET", path)
        assert answer.status_code == 200, path
        assert unsafe(answer.text) == [], path
        hostile_pages += "&lt;" in answer.text
    assert hostile_pages > 12  # the names did stand there
    assert unsafe("<script>x</script>") and unsafe("<img src=x onerror=a()>")  # and would be seen


@pytest.mark.parametrize("path", ["/signup", "/link"])
def test_what_is_typed_into_an_open_form_comes_back_as_text(
    hostile: Service, ask: Ask, path: str
) -> None:
    typed = {"farmer": '"><script>alert(1)</script>', "farm": "<svg onload=x>", "lang": "en"}
    typed |= {"address": '"><script>alert(1)</script>', "phone": "'><b onclick=x>", "do": "send"}
    answer = ask("POST", path, data=typed)
    assert answer.status_code == 422
    assert "&lt;" in answer.text
    assert unsafe(answer.text) == []


def test_script_of_a_stranger_would_not_run_either(ask: Ask) -> None:
    policy = ask("GET", "/").headers["content-security-policy"]
    assert "'unsafe-inline'" not in policy.partition("script-src")[2].partition(";")[0]
    assert "default-src 'none'" in policy or "default-src 'self'" in policy


# ----------------------------------------------------------------------------- pictures


def test_charts_hold_names_as_text_alone(
    hostile: Service, ask: Ask, pages: dict[Role, str]
) -> None:
    [field, *_] = [one.id for one in hostile.rows(FarmField) if "onerror" in one.name]
    asked = [
        f"{pages[Role.FARM]}/chart/{field}.svg",
        f"{slug(ask)}/chart.svg",
    ]
    for path in asked:
        answer = ask("GET", path)
        assert answer.status_code == 200, path
        root = ElementTree.fromstring(answer.text)
        tags = {element.tag.rpartition("}")[2] for element in root.iter()}
        assert not tags & {"script", "foreignObject", "img", "image", "a", "iframe"}, tags
        names = {name for element in root.iter() for name in element.attrib}
        assert not [name for name in names if name.lower().startswith("on")]


# ------------------------------------------------------------------------------ tables


def cells(text: str) -> list[str]:
    rows = list(csv.reader(io.StringIO(text.lstrip("\ufeff"), newline="")))
    assert len({len(row) for row in rows}) == 1, "a name made a cell or a row of its own"
    return [cell for row in rows[1:] for cell in row]


def test_no_cell_of_an_export_is_a_formula(
    hostile: Service, ask: Ask, pages: dict[Role, str]
) -> None:
    digests = [one for one in hostile.messages("digest") if one.attachments]
    tables = [
        ask("GET", f"{pages[Role.CONSULTANT]}/start-dates.csv").text,
        ask("GET", f"{pages[Role.FARM]}/review.csv").text,
        ask("GET", f"{pages[Role.CONSULTANT]}/review.csv").text,
        ask("GET", f"{slug(ask)}.csv").text,
        *(
            base64.b64decode(one["content"]).decode("utf-8-sig")
            for digest in digests
            for one in digest.attachments
            if one["filename"].endswith(".csv")
        ),
    ]
    assert len(tables) >= 5
    quoted = 0
    for table in tables:
        found = cells(table)
        run = [cell for cell in found if cell.lstrip(" ").startswith(RUN)]
        assert [cell for cell in run if not re.fullmatch(r"-?\d+(\.\d+)?", cell)] == []
        quoted += sum(cell.startswith("'") for cell in found)
    assert quoted >= 4  # the names did stand there


# --------------------------------------------------------------------------- calendars


def test_no_name_adds_a_line_to_a_calendar(
    hostile: Service, ask: Ask, pages: dict[Role, str]
) -> None:
    content = ask("GET", f"{pages[Role.CONSULTANT]}/start-dates.ics")
    assert content.status_code == 200
    calendars = [content.text] + [
        base64.b64decode(one["content"]).decode()
        for message in hostile.messages()
        for one in message.attachments
        if one["filename"].endswith(".ics")
    ]
    named = 0
    for text in calendars:
        lines = text.replace("\r\n ", "").split("\r\n")
        assert "\n" not in "".join(lines) and "\r" not in "".join(lines)
        assert not [line for line in lines if line.upper().startswith(("ATTENDEE", "BCC"))]
        starts = {line.partition(":")[0].partition(";")[0] for line in lines if line}
        assert all(re.fullmatch(r"[A-Z-]+", start) for start in starts), starts
        named += "onerror" in text.replace("\r\n ", "") or "script" in text.replace("\r\n ", "")
    assert named


# ------------------------------------------------------------------------ texts, emails


def test_texts_hold_no_control_characters(hostile: Service) -> None:
    texts = [one for one in hostile.messages() if one.channel == "sms"]
    assert texts
    for message in texts:
        assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f]", message.text), message.kind


def test_emails_have_the_headers_we_gave_them_and_no_others(hostile: Service) -> None:
    mails = [one for one in hostile.messages() if one.channel == "email"]
    assert mails
    for message in mails:
        sent = build_email(outgoing(message, f"https://x.example.org/stop/{message.id}"), SENDER)
        read = email.message_from_bytes(bytes(sent), policy=email.policy.default)
        assert set(map(str.lower, read.keys())) <= {
            "from", "to", "subject", "date", "message-id", "mime-version", "content-type",
            "content-transfer-encoding", "list-unsubscribe", "list-unsubscribe-post", "reply-to",
            "auto-submitted", "x-auto-response-suppress",
        }  # fmt: skip
        assert read["to"] == message.to_address
        assert "Bcc" not in read
        html = read.get_body(("html",))
        if html is not None:
            assert unsafe(html.get_content()) == []


@pytest.mark.parametrize("place", ["to", "subject", "unsubscribe_url"])
@pytest.mark.parametrize("end", ["\r\n", "\n", "\r", "\x00"])
def test_header_that_would_be_two_is_never_sent(hostile: Service, place: str, end: str) -> None:
    message = outgoing(next(one for one in hostile.messages() if one.channel == "email"), "")
    odd = replace(message, **{place: f"https://a.example.org{end}Bcc: all@example.org"})
    with pytest.raises(ValueError, match=r"."):
        build_email(odd, SENDER)


# --------------------------------------------------------------------- the gateway's forms

KEY = "key-of-the-gateway"


def gateway(service: Service, ask: Ask, **form: str) -> str:
    """The answer to a signed text."""
    settings = service.parts.settings.model_copy(
        update={"sms_webhook_secret": SecretStr(KEY), "sms_answers_keywords": False}
    )
    service.parts = replace(service.parts, settings=settings)
    path = "/webhooks/sms/inbound"
    said = f"https://cutcall.example.org{path}" + "".join(f"{k}{form[k]}" for k in sorted(form))
    signature = base64.b64encode(hmac.digest(KEY.encode(), said.encode(), "sha1")).decode()
    headers = {
        "content-type": "application/x-www-form-urlencoded",
        "x-twilio-signature": signature,
    }
    answer = ask("POST", path, content=urlencode(form), headers=headers)
    assert answer.status_code == 200
    return answer.text


@pytest.mark.parametrize(
    "body",
    [
        "hello",
        "</Message></Response><Response><Message>x",
        "cut <script>",
        "\x00\x07\x1b[2J",
        "&#0;",
    ],
)
@pytest.mark.parametrize("sender", [PHONE, "+12025550199", "</Message>"])
def test_answer_to_the_gateway_is_one_message_or_none(
    hostile: Service, ask: Ask, body: str, sender: str
) -> None:
    form = {"MessageSid": "SM1", "From": sender, "To": "+12025550100", "Body": body}
    root = ElementTree.fromstring(gateway(hostile, ask, **form))
    assert root.tag == "Response"
    assert [child.tag for child in root] in ([], ["Message"])
    assert [len(child) for child in root] in ([], [0])


def test_text_put_into_an_answer_holds_no_control_characters(hostile: Service, ask: Ask) -> None:
    form = {"MessageSid": "SM2", "From": PHONE, "To": "+12025550100", "Body": "cut z\x07\x1bq\r\nx"}
    gateway(hostile, ask, **form)
    for message in hostile.messages("reply"):
        assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f]", message.text)


# ----------------------------------------------------------------------- what is sent to us


def post(service: Service, ask: Ask, content: bytes, **headers: str) -> tuple[int, str]:
    with service.sessions.write() as session:
        _, secret = make_token(
            session, "lab", name="lab", person_id=None, lab="", scopes=(), expires_at=None,
            now=service.clock(),
        )  # fmt: skip
    given = {"authorization": f"Bearer {secret}", "content-type": "text/csv", **headers}
    answer = ask("POST", "/api/v1/results", content=content, headers=given)
    return answer.status_code, answer.text


def test_compressed_body_is_refused_and_never_unpacked(service: Service, ask: Ask) -> None:
    service.enrol({})
    packed = gzip.compress(b"farm,field,sampled_on,rfv\n" + b"x" * 50_000_000)
    assert len(packed) < 100_000
    status, text = post(service, ask, packed, **{"content-encoding": "gzip"})
    assert 400 <= status < 500
    assert "compressed" in text
    assert service.rows(LabResult) == []


def test_table_of_too_many_columns_is_refused_in_a_sentence(service: Service, ask: Ask) -> None:
    status, text = post(service, ask, b"farm,field" + b"," * 1_000_000 + b"\n")
    assert 400 <= status < 500
    assert "more than 1000 cells" in text
    row = b"farm,field,sampled_on,rfv\n" + b"," * 1_000_000 + b"\n"
    assert "more than 1000 cells" in post(service, ask, row)[1]


def test_roster_of_too_many_rows_or_columns_is_refused_in_a_sentence() -> None:
    columns = b"farm,field,area,farmer,phone\n"
    for content, words in (
        (columns + b"a,b,c,d,e\n" * 200_100, "more than 200000 rows"),
        (columns.strip() + b"," * 5000 + b"\n", "more than 1000 cells"),
    ):
        with pytest.raises(UnreadableDocument, match=words):
            read_roster(content, "r.csv", animal_classes=(), defaults=RosterDefaults("UTC"))


def test_cell_of_a_megabyte_costs_its_row_alone(service: Service) -> None:
    service.enrol({})
    content = "farm,field,sampled_on,rfv,remark\nPlum Bottom,North,2027-05-10,205,\n"
    taken = service.take(content + f"Plum Bottom,North,2027-05-10,204,{'x' * 1_000_000}\n")
    assert (taken.accepted, len(taken.rejected)) == (1, 1)
    assert all(len(value) < 1000 for one in taken.rejected for value in one.raw.values())


# ------------------------------------------------------------------- where we may be sent


def test_nothing_but_the_transports_can_fetch() -> None:
    """A lab, a roster or a text can name any address: nothing that reads them can ask for it."""
    fetchers = {"urllib.request", "http.client", "requests", "aiohttp", "ftplib", "xmlrpc.client"}
    root = Path(alerts.__file__).parent
    for path in root.rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        named = {
            name
            for node in ast.walk(tree)
            if isinstance(node, ast.Import | ast.ImportFrom)
            for name in (
                [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else [node.module or ""]
            )
        }
        assert not named & fetchers, path
        if "httpx" in named:
            assert path.relative_to(root).parts[0] in ("transports", "weather", "loopback"), path
