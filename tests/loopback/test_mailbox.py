"""The loopback mail server through the real transport.

Sources: RFC 5321 (Klensin 2008) for the replies; RFC 8058 (Levine and Herkula 2017) for the
unsubscribe headers; greylisting as common practice.
"""

from __future__ import annotations

import asyncio
import smtplib
from dataclasses import replace
from email import message_from_bytes
from email.policy import default
from pathlib import Path
from typing import Any

import pytest

from alerts.loopback.mailbox import At, KeptMail, LoopbackMailbox, MailFault, slug_of
from alerts.transports.base import Attachment, Outcome, OutgoingMessage, SendResult
from alerts.transports.smtp import Smtp


def send(server: LoopbackMailbox, message: OutgoingMessage, **changes: Any) -> SendResult:
    transport = Smtp(
        host=server.host,
        port=server.port,
        sender="alerts@example.org",
        sender_name="Cutcall",
        use="plain",
        **changes,
    )
    return asyncio.run(transport.send(message))


def test_mail_is_kept_parsed_written_and_announced(mail: OutgoingMessage, tmp_path: Path) -> None:
    announced: list[KeptMail] = []
    with LoopbackMailbox(folder=tmp_path / "mail", on_message=announced.append) as server:
        result = send(server, mail)
        send(server, replace(mail, message_id="att_03", subject="Déjà vu"))
        first, second = server.mails
    assert announced == [first, second]
    assert result.gateway_id == "<att_02@example.org>"
    assert first.email["Message-ID"] == result.gateway_id
    assert (first.number, first.sender) == (1, "alerts@example.org")
    assert first.recipients == ("farmer@example.org",)
    names = sorted(path.name for path in (tmp_path / "mail").iterdir())
    assert names == ["001-start-cutting-tue-may-26.eml", "002-d-j-vu.eml"]
    assert first.path is not None
    assert first.path.read_bytes() == first.content
    assert second.email["Subject"] == "Déjà vu"


def test_email_reads_as_built_on_the_far_side(mail: OutgoingMessage) -> None:
    calendar = Attachment("start.ics", "text/calendar; method=PUBLISH", b"BEGIN:VCALENDAR\r\n")
    dotted = replace(mail, text=".\n.. dots\nend", attachments=(calendar,))
    with LoopbackMailbox() as server:
        send(server, dotted)
        (kept,) = server.mails
    email = message_from_bytes(kept.content, policy=default)
    bodies, attached = email.iter_parts()
    plain, html = bodies.iter_parts()
    assert (plain.get_content_type(), html.get_content_type()) == ("text/plain", "text/html")
    assert plain.get_content() == ".\r\n.. dots\r\nend\r\n"  # RFC 5321 section 4.5.2
    assert attached["Content-Type"].params["method"] == "PUBLISH"
    assert attached.get_payload(decode=True) == calendar.content


@pytest.mark.parametrize("length", [40, 60, 77, 78, 79, 120, 200, 300])
def test_unsubscribe_headers_survive_the_wire(mail: OutgoingMessage, length: int) -> None:
    start = "https://alerts.example.org/u/"
    url = start + "x" * (length - len(start))
    with LoopbackMailbox() as server:
        send(server, replace(mail, unsubscribe_url=url))
        (kept,) = server.mails
    assert f"\r\nList-Unsubscribe: <{url}>\r\n".encode() in kept.content
    assert b"\r\nList-Unsubscribe-Post: List-Unsubscribe=One-Click\r\n" in kept.content
    assert max(len(line) for line in kept.content.split(b"\r\n")) <= 998


def test_greylisting_lets_the_second_contact_in(mail: OutgoingMessage) -> None:
    with LoopbackMailbox(greylist=True) as server:
        results = [send(server, mail) for _ in range(2)]
        other = send(server, replace(mail, to="other@example.org"))
        assert len(server.mails) == 1
    assert [result.outcome for result in results] == [Outcome.LATER, Outcome.ACCEPTED]
    assert (other.outcome, other.code) == (Outcome.LATER, "451")


def test_refused_address_is_refused(mail: OutgoingMessage) -> None:
    refuse = {"gone@example.org": "550 5.1.1 no such mailbox"}
    with LoopbackMailbox(refuse=refuse) as server:
        gone = send(server, replace(mail, to="gone@example.org"))
        there = send(server, mail)
    assert gone == SendResult(Outcome.REFUSED, code="550", detail="5.1.1 no such mailbox")
    assert there.outcome is Outcome.ACCEPTED


def test_faults_wait_for_their_step_and_are_used_once(mail: OutgoingMessage) -> None:
    with LoopbackMailbox() as server:
        server.script(MailFault("554 no", at=At.CONTENT), MailFault("450 busy", at=At.RECIPIENT))
        outcomes = [send(server, mail).outcome for _ in range(3)]
        assert len(server.mails) == 1
    assert outcomes == [Outcome.REFUSED, Outcome.LATER, Outcome.ACCEPTED]


def test_standard_library_client_is_served_too(mail: OutgoingMessage) -> None:
    with LoopbackMailbox(username="a", password="b") as server:
        with smtplib.SMTP(server.host, server.port) as client:
            client.login("a", "b")
            client.sendmail("x@example.org", [mail.to, "two@example.org"], b"Subject: hi\r\n\r\nyo")
        (kept,) = server.mails
    assert kept.recipients == (mail.to, "two@example.org")
    assert kept.email["Subject"] == "hi"


def test_hook_that_fails_changes_nothing(mail: OutgoingMessage) -> None:
    def fail(_: KeptMail) -> None:
        raise RuntimeError("screen gone")

    with LoopbackMailbox(on_message=fail) as server:
        assert send(server, mail).outcome is Outcome.ACCEPTED
        assert len(server.mails) == 1


def test_many_senders_at_once_lose_nothing(mail: OutgoingMessage) -> None:
    with LoopbackMailbox() as server:
        transport = Smtp(
            host=server.host, port=server.port, sender="alerts@example.org", use="plain"
        )

        async def flood() -> list[SendResult]:
            messages = [replace(mail, message_id=f"att_{number}") for number in range(30)]
            return await asyncio.gather(*(transport.send(message) for message in messages))

        results = asyncio.run(flood())
        ids = {kept.email["Message-ID"] for kept in server.mails}
    assert ids == {result.gateway_id for result in results}
    assert len(ids) == 30
    assert [kept.number for kept in server.mails] == list(range(1, 31))


def test_stopped_server_comes_back_on_the_same_port(mail: OutgoingMessage) -> None:
    server = LoopbackMailbox()
    server.stop()  # harmless before the start
    server.start()
    port = server.port
    assert port > 0
    send(server, mail)
    server.stop()
    assert send(server, mail).outcome is Outcome.LATER
    with server:
        assert server.port == port
        send(server, mail)
        assert len(server.mails) == 2


@pytest.mark.parametrize(
    ("subject", "slug"),
    [
        ("", "no-subject"),
        ("½", "no-subject"),
        ("../../etc/passwd", "etc-passwd"),
        ("A" * 39 + " B", "a" * 39),
    ],
)
def test_slug_is_safe_as_a_file_name(subject: str, slug: str) -> None:
    assert slug_of(subject) == slug
