"""Builds the email a person gets out of an outgoing message; no network, no clock."""

from __future__ import annotations

import hashlib
import re
from email.contentmanager import raw_data_manager
from email.errors import HeaderParseError
from email.headerregistry import Address, ContentTypeHeader
from email.message import EmailMessage
from email.policy import SMTP, EmailPolicy
from urllib.parse import quote

from alerts.transports.base import Attachment, OutgoingMessage

LINE_LIMIT = 998
"""Longest line of a message without its line end [octets]; RFC 5322 section 2.1.1."""

_NARROW = SMTP.clone(cte_type="7bit")
_WIDE = _NARROW.clone(max_line_length=LINE_LIMIT)
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")


class WirePolicy(EmailPolicy):
    """Folds as usual, but keeps List-Unsubscribe on one line.

    The standard library would turn a long address there into encoded words, and one-click
    unsubscribing would break. The other headers stay narrow: on wide lines the library makes
    encoded words longer than the 75 characters of RFC 2047.
    """

    def fold(self, name: str, value: str) -> str:
        folded: str = _folding(name, value).fold(name, value)
        return folded

    def fold_binary(self, name: str, value: str) -> bytes:
        return _folding(name, value).fold_binary(name, value)


WIRE = WirePolicy(linesep="\r\n", cte_type="7bit")
"""Policy of every message built here; bodies stay 7-bit, so any mail server can take them."""


def build_email(message: OutgoingMessage, sender: Address, reply_to: str = "") -> EmailMessage:
    """The message as one email: plain text, then HTML with its pictures, then attachments.

    The same message gives the same bytes on every attempt, Message-ID included, so that mail
    systems can merge copies (RFC 5322 section 3.6.4).

    Raises ValueError, one plain sentence, for an address that cannot be used, a line break in
    a header, or an unsubscribe address that does not fit on one line.
    """
    _refuse_controls(message)
    email = EmailMessage(policy=WIRE)
    email["From"] = sender
    email["To"] = mailbox(message.to)
    if reply_to:
        email["Reply-To"] = mailbox(reply_to)
    email["Subject"] = message.subject
    email["Date"] = message.created_at
    email["Message-ID"] = message_id_of(message, sender)
    # RFC 3834, and what one widespread mail server honours: no out-of-office replies
    email["Auto-Submitted"] = "auto-generated"
    email["X-Auto-Response-Suppress"] = "All"
    _add_unsubscribe(email, message.unsubscribe_url)
    _add_bodies(email, message)
    _fix_boundaries(email, message.message_id)
    return email


def mailbox(address: str, display_name: str = "") -> Address:
    """An address checked for the wire; a domain beyond ASCII becomes its IDNA form.

    Raises ValueError naming the address.
    """
    try:
        parsed = Address(display_name, addr_spec=address)
        domain = parsed.domain.encode("idna").decode("ascii")
    except (ValueError, IndexError, HeaderParseError) as error:
        raise ValueError(f"{address!r} cannot be used as an email address; correct it.") from error
    return Address(display_name, parsed.username, domain)


def message_id_of(message: OutgoingMessage, sender: Address) -> str:
    """Message-ID with its angle brackets; the same for every attempt of one message."""
    return f"<{quote(message.message_id, safe='')}@{sender.domain}>"


def _folding(name: str, value: str) -> EmailPolicy[EmailMessage]:
    """How to fold a header; a plain subject stays on one line too.

    Where a subject is a little too long for the line, the library breaks it before its first word,
    and whoever takes the line apart again finds a space there.
    """
    whole = name.lower() == "list-unsubscribe" or (name.lower() == "subject" and value.isascii())
    return _WIDE if whole else _NARROW


def _refuse_controls(message: OutgoingMessage) -> None:
    named = [
        ("recipient", message.to),
        ("subject", message.subject),
        ("unsubscribe address", message.unsubscribe_url),
    ]
    for attachment in message.attachments:
        named.append(("attachment name", attachment.filename))
        named.append(("attachment type", attachment.content_type))
        named.append(("content id", attachment.content_id))
    for what, value in named:
        if _CONTROL.search(value):
            raise ValueError(
                f"The {what} of message {message.message_id} holds a line break or another "
                "control character; take it out."
            )


def _add_unsubscribe(email: EmailMessage, url: str) -> None:
    """Both headers of RFC 8058, each once."""
    if not url:
        return
    value = f"<{url}>"
    if not url.isascii() or re.search(r"[\s<>]", url):
        raise ValueError(f"The unsubscribe address {url!r} must be percent-encoded ASCII.")
    if len("List-Unsubscribe: ") + len(value) > LINE_LIMIT:
        raise ValueError(f"The unsubscribe address is over {LINE_LIMIT} characters; shorten it.")
    email["List-Unsubscribe"] = value
    email["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"


def _add_bodies(email: EmailMessage, message: OutgoingMessage) -> None:
    email.set_content(message.text)
    pictures = [one for one in message.attachments if one.content_id and message.html]
    if message.html:
        email.add_alternative(message.html, subtype="html")
        *_, page = email.iter_parts()
        assert isinstance(page, EmailMessage)
        for picture in pictures:
            _show(page, picture)
    for attachment in message.attachments:
        if attachment not in pictures:
            _attach(email, attachment)


def _show(page: EmailMessage, picture: Attachment) -> None:
    """Put a picture beside the HTML that shows it (RFC 2387)."""
    kind = _content_type(picture.content_type)
    page.add_related(
        picture.content,
        maintype=kind.maintype,
        subtype=kind.subtype,
        disposition="inline",
        filename=picture.filename,
        cid=f"<{picture.content_id}>",
        content_manager=raw_data_manager,
    )


def _attach(email: EmailMessage, attachment: Attachment) -> None:
    kind = _content_type(attachment.content_type)
    params = dict(kind.params)
    if kind.maintype == "text":
        params.setdefault("charset", "utf-8")
    email.add_attachment(
        attachment.content,
        maintype=kind.maintype,
        subtype=kind.subtype,
        filename=attachment.filename,
        params=params,
        content_manager=raw_data_manager,
    )


def _content_type(raw: str) -> ContentTypeHeader:
    holder = EmailMessage(policy=WIRE)
    holder["Content-Type"] = raw
    header = holder["Content-Type"]
    if header.defects:
        raise ValueError(f"{raw!r} is no content type; use one such as 'text/csv'.")
    assert isinstance(header, ContentTypeHeader)
    return header


def _fix_boundaries(email: EmailMessage, message_id: str) -> None:
    """Set the boundaries, which the library would otherwise draw at random for each attempt."""
    digest = hashlib.sha256(message_id.encode()).hexdigest()[:24]
    containers = [part for part in email.walk() if part.is_multipart()]
    for number, part in enumerate(containers):
        part.set_boundary(f"=_{digest}_{number}")
