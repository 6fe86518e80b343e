"""Emails as mail programs will read them.

Sources: RFC 5322 (Resnick 2008) for headers and line length; RFC 2046 (Freed and Borenstein 1996)
for the order of alternatives; RFC 2047 (Moore 1996) for encoded words; RFC 8058 (Levine and
Herkula 2017) for one-click unsubscribing; RFC 3834 (Moore 2004) for machine mail; RFC 6047
(Melnikov 2010) for the method parameter of a calendar.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default

import pytest

from alerts.transports.base import Attachment, OutgoingMessage
from alerts.transports.email_message import WIRE, build_email, mailbox

SENDER = mailbox("alerts@example.org", "Cutcall")
CALENDAR = Attachment(
    "start.ics",
    "text/calendar; method=PUBLISH",
    b"BEGIN:VCALENDAR\r\nMETHOD:PUBLISH\r\nEND:VCALENDAR\r\n",
)
TABLE = Attachment("clients.csv", "text/csv", "farm,start\r\nMüller,2026-05-26\r\n".encode())


def wire(message: OutgoingMessage, reply_to: str = "") -> bytes:
    return build_email(message, SENDER, reply_to).as_bytes(policy=WIRE)


def reread(message: OutgoingMessage) -> EmailMessage:
    return message_from_bytes(wire(message), policy=default)


def content_of(part: EmailMessage) -> str:
    """The text of a part with the line ends of this machine."""
    return part.get_content().replace("\r\n", "\n")


CHART = Attachment("outlook.png", "image/png", b"\x89PNG of a chart", "chart-7f@cutcall")


def test_picture_of_the_html_stands_beside_it(mail: OutgoingMessage) -> None:
    """RFC 2387 (Levinson 1998): related parts; RFC 2392 (Levinson 1998): 'cid:' and Content-ID."""
    html = '<p>Start</p><img src="cid:chart-7f@cutcall" alt="">'
    email = reread(replace(mail, html=html, attachments=(CHART, CALENDAR)))
    assert [part.get_content_type() for part in email.walk()] == [
        "multipart/mixed",
        "multipart/alternative",
        "text/plain",
        "multipart/related",
        "text/html",
        "image/png",
        "text/calendar",
    ]
    [picture] = [part for part in email.walk() if part.get_content_type() == "image/png"]
    assert picture["Content-ID"] == "<chart-7f@cutcall>"
    assert picture.get_content_disposition() == "inline"
    assert picture.get_content() == CHART.content


def test_picture_without_html_is_an_attachment(mail: OutgoingMessage) -> None:
    email = reread(replace(mail, html="", attachments=(CHART,)))
    [picture] = email.iter_attachments()
    assert picture.get_content_disposition() == "attachment"
    assert picture.get_content() == CHART.content


def test_email_with_a_picture_gives_the_same_bytes_on_every_attempt(mail: OutgoingMessage) -> None:
    full = replace(mail, html="<p>Start</p>", attachments=(CHART, CALENDAR))
    assert wire(full) == wire(full)


def test_headers_say_who_when_and_that_a_machine_wrote(
    mail: OutgoingMessage, now: datetime
) -> None:
    email = message_from_bytes(wire(mail, "desk@example.org"), policy=default)
    assert email["From"] == "Cutcall <alerts@example.org>"
    assert email["To"] == mail.to
    assert email["Reply-To"] == "desk@example.org"
    assert email["Subject"] == mail.subject
    assert email["Date"].datetime == now
    assert email["Message-ID"] == "<att_02@example.org>"
    assert email["Auto-Submitted"] == "auto-generated"
    assert email["X-Auto-Response-Suppress"] == "All"


def test_same_message_gives_the_same_bytes(mail: OutgoingMessage) -> None:
    full = replace(mail, attachments=(CALENDAR, TABLE))
    assert wire(full) == wire(full)
    assert bytes(build_email(full, SENDER)) == wire(full)


def test_message_id_is_legal_whatever_our_id_holds(mail: OutgoingMessage) -> None:
    email = reread(replace(mail, message_id="farm 7/start:2026-05-26 <ä>"))
    # RFC 5322 section 3.6.4: dot-atom-text on both sides
    atom = r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~.-]+"
    assert re.fullmatch(rf"<{atom}@example\.org>", email["Message-ID"])


def test_plain_text_comes_first_then_html(mail: OutgoingMessage) -> None:
    email = reread(mail)
    assert email.get_content_type() == "multipart/alternative"
    plain, html = email.iter_parts()
    assert plain.get_content_type() == "text/plain"
    assert content_of(plain) == mail.text + "\n"
    assert html.get_content_type() == "text/html"
    assert content_of(html) == mail.html + "\n"


def test_text_alone_is_one_part(mail: OutgoingMessage) -> None:
    email = reread(replace(mail, html=""))
    assert email.get_content_type() == "text/plain"
    assert not email.is_multipart()


def test_attachments_follow_the_alternatives(mail: OutgoingMessage) -> None:
    email = reread(replace(mail, attachments=(CALENDAR, TABLE)))
    assert email.get_content_type() == "multipart/mixed"
    kinds = [part.get_content_type() for part in email.iter_parts()]
    assert kinds == ["multipart/alternative", "text/calendar", "text/csv"]
    calendar, table = email.iter_attachments()
    assert calendar["Content-Type"].params == {"method": "PUBLISH", "charset": "utf-8"}
    assert calendar.get_filename() == "start.ics"
    assert calendar.get_payload(decode=True) == CALENDAR.content
    assert table.get_payload(decode=True) == TABLE.content
    assert table["Content-Type"].params["charset"] == "utf-8"


def test_given_charset_is_kept(mail: OutgoingMessage) -> None:
    attachment = Attachment("a.csv", 'text/csv; charset="iso-8859-1"', b"\xe4")
    (part,) = reread(replace(mail, attachments=(attachment,))).iter_attachments()
    assert part.get_content() == "ä"


def test_binary_attachment_and_foreign_name_survive(mail: OutgoingMessage) -> None:
    attachment = Attachment("Überblick.pdf", "application/pdf", bytes(range(256)))
    (part,) = reread(replace(mail, attachments=(attachment,))).iter_attachments()
    assert part.get_filename() == "Überblick.pdf"
    assert part.get_content() == bytes(range(256))


def test_unsubscribe_address_of_any_length_stays_whole(mail: OutgoingMessage) -> None:
    # Trap: the standard policies of Python 3.11 turn an entry of 78 and more characters into
    # encoded words (measured); a receiver then has no address to post to.
    start = "https://alerts.example.org/u/"
    for length in range(40, 301):
        url = start + "x" * (length - len(start))
        content = wire(replace(mail, unsubscribe_url=url))
        assert f"\r\nList-Unsubscribe: <{url}>\r\n".encode() in content, length
        assert content.count(b"\r\nList-Unsubscribe-Post: List-Unsubscribe=One-Click\r\n") == 1
        assert content.count(b"List-Unsubscribe: ") == 1


def test_no_unsubscribe_headers_without_an_address(mail: OutgoingMessage) -> None:
    assert b"List-Unsubscribe" not in wire(replace(mail, unsubscribe_url=""))


def longest_line(content: bytes) -> int:
    return max(len(line) for line in content.split(b"\r\n"))


def test_lines_keep_the_limits_of_the_wire(mail: OutgoingMessage) -> None:
    long = replace(
        mail,
        text="word " * 900 + "\n" + "x" * 3000 + "\nä" + "ö" * 1500,
        html="<p>" + "ü" * 4000 + "</p>",
        subject="Début de la coupe à Saint-Élie " * 12,
        unsubscribe_url="https://alerts.example.org/u/" + "x" * 900,
        attachments=(replace(CALENDAR, content=b"x" * 5000),),
    )
    content = wire(long, "a" * 60 + "@" + "b" * 60 + ".example.org")
    assert longest_line(content) <= 998  # RFC 5322 section 2.1.1
    assert content.isascii()  # so that no server needs the 8BITMIME extension
    assert b"\n" not in content.replace(b"\r\n", b"")
    head, _, body = content.partition(b"\r\n\r\n")
    assert longest_line(body) <= 78  # RFC 2045 section 6.7 allows encoded lines of 76
    for word in re.findall(rb"=\?utf-8\?.*?\?=", head):
        assert len(word) <= 75  # RFC 2047 section 2
    email = message_from_bytes(content, policy=default)
    assert email["Subject"].strip() == long.subject.strip()
    plain, html = next(iter(email.iter_parts())).iter_parts()
    assert content_of(plain) == long.text + "\n"
    assert content_of(html) == long.html + "\n"


@pytest.mark.parametrize("break_", ["\r\n", "\n", "\r", "\x00"])
def test_header_injection_is_refused(mail: OutgoingMessage, break_: str) -> None:
    evil = f"x{break_}Bcc: other@example.org"
    attempts = [
        replace(mail, subject=evil),
        replace(mail, to=f"farmer@example.org{break_}Bcc: other@example.org"),
        replace(mail, unsubscribe_url=f"https://alerts.example.org/{evil}"),
        replace(mail, attachments=(replace(TABLE, filename=evil),)),
        replace(mail, attachments=(replace(TABLE, content_type=f"text/csv{break_}X: y"),)),
    ]
    for attempt in attempts:
        with pytest.raises(ValueError, match="control character"):
            build_email(attempt, SENDER)


def test_our_own_id_cannot_break_a_header(mail: OutgoingMessage) -> None:
    content = wire(replace(mail, message_id="x\r\nBcc: other@example.org"))
    assert b"\r\nBcc:" not in content


@pytest.mark.parametrize(
    "url",
    ["https://alerts.example.org/u/ä", "https://a.example.org/ b", "https://a.example.org/>,<x"],
)
def test_unsubscribe_address_must_be_encoded(mail: OutgoingMessage, url: str) -> None:
    with pytest.raises(ValueError, match="percent-encoded"):
        build_email(replace(mail, unsubscribe_url=url), SENDER)


def test_unsubscribe_address_must_fit_on_a_line(mail: OutgoingMessage) -> None:
    url = "https://alerts.example.org/u/" + "x" * 960
    with pytest.raises(ValueError, match="998"):
        build_email(replace(mail, unsubscribe_url=url), SENDER)


@pytest.mark.parametrize("kind", ["", "nonsense", "text/"])
def test_content_type_must_be_one(mail: OutgoingMessage, kind: str) -> None:
    attachment = replace(TABLE, content_type=kind)
    with pytest.raises(ValueError, match="content type"):
        build_email(replace(mail, attachments=(attachment,)), SENDER)


@pytest.mark.parametrize(
    "address",
    ["", "nobody", "a b@example.org", "<a@example.org>", "a@b@example.org", "ü@example.org"],
)
def test_unusable_address_is_named(address: str) -> None:
    with pytest.raises(ValueError, match="cannot be used as an email address") as caught:
        mailbox(address)
    assert repr(address) in str(caught.value)


def test_domain_beyond_ascii_takes_its_wire_form() -> None:
    # RFC 3492 (Costello 2003) gives the form; "bücher" is the customary example
    assert mailbox("a@bücher.example.org").addr_spec == "a@xn--bcher-kva.example.org"


def test_display_name_is_quoted_and_encoded() -> None:
    sender = mailbox("alerts@example.org", 'Grün, "Fütter" & Co.')
    message = EmailMessage(policy=WIRE)
    message["From"] = sender
    (found,) = message_from_bytes(bytes(message), policy=default)["From"].addresses
    assert (found.display_name, found.addr_spec) == (sender.display_name, sender.addr_spec)


@pytest.mark.parametrize("length", [60, 69, 70, 78, 120, 400])
def test_plain_subject_of_any_length_comes_back_as_it_was(
    mail: OutgoingMessage, length: int
) -> None:
    words = "Start dates on Wed May 12: nothing changed, 2 of 2 clients with a date " * 9
    subject = words[:length].strip()
    assert reread(replace(mail, subject=subject))["Subject"] == subject
    assert max(map(len, wire(replace(mail, subject=subject)).split(b"\r\n"))) <= 998
