"""What the loopback mail server holds, and the faults it is to suffer."""

from __future__ import annotations

import logging
import re
import threading
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from enum import StrEnum
from pathlib import Path
from typing import cast

from aiosmtpd.smtp import Envelope

log = logging.getLogger(__name__)

GREYLISTED = "451 4.7.1 Greylisted, please try again later"
LONGEST_SLUG = 40


class At(StrEnum):
    """Step of the dialogue at which a fault happens."""

    GREETING = "greeting"  # in answer to EHLO or HELO
    SENDER = "sender"
    RECIPIENT = "recipient"
    DATA = "data"  # in answer to the word DATA, before any of the text came
    CONTENT = "content"  # after the final dot


@dataclass(frozen=True, slots=True)
class MailFault:
    """One reply to one message; an empty reply drops the connection.

    `keeps` (at the content only) says whether the message is kept before the reply, and a
    `delay_s` [s] beyond the client's patience is a server that hangs.
    """

    reply: str = ""
    at: At = At.CONTENT
    keeps: bool = False
    delay_s: float = 0.0


@dataclass(frozen=True, slots=True)
class KeptMail:
    number: int  # 1 = the first
    sender: str
    recipients: tuple[str, ...]
    content: bytes  # as it came over the wire
    email: EmailMessage
    path: Path | None


class MailDesk:
    """What the mailbox holds; used from the server's thread and from the caller's."""

    def __init__(
        self,
        folder: Path | None,
        on_message: Callable[[KeptMail], None] | None,
        refuse: dict[str, str],
        greylist: bool,
        misbehaviour: Callable[[], MailFault | None],
    ) -> None:
        self._misbehaviour = misbehaviour
        self._seen: Counter[str] = Counter()
        self._folder, self._on_message = folder, on_message
        self._refuse, self._greylist = refuse, greylist
        self._met: set[tuple[str, str]] = set()
        self._mails: list[KeptMail] = []
        self._faults: deque[MailFault] = deque()
        self._lock = threading.Lock()

    def kept(self) -> tuple[KeptMail, ...]:
        with self._lock:
            return tuple(self._mails)

    def script(self, faults: tuple[MailFault, ...]) -> None:
        with self._lock:
            self._faults.extend(faults)

    def fault(self, at: At) -> MailFault | None:
        """The next scripted fault, if it belongs to this step; it is then used up."""
        with self._lock:
            if self._faults and self._faults[0].at is at:
                return self._faults.popleft()
            return None

    def draw(self) -> MailFault | None:
        """What chance brings to a new connection."""
        with self._lock:
            fault = self._misbehaviour()
            self._seen["mail"] += 1
            if fault is not None:
                reply = fault.reply[:3] or "dropped"
                kept, hung = " kept" * fault.keeps, " hung" * (fault.delay_s > 0)
                self._seen[f"mail {fault.at.value} {reply}{kept}{hung}"] += 1
        return fault

    def seen(self) -> Counter[str]:
        with self._lock:
            return self._seen.copy()

    def complaint(self, sender: str, recipient: str) -> str:
        """Reply that refuses a recipient, or ''."""
        with self._lock:
            if recipient in self._refuse:
                return self._refuse[recipient]
            is_new = (sender, recipient) not in self._met
            self._met.add((sender, recipient))
            return GREYLISTED if self._greylist and is_new else ""

    def keep(self, envelope: Envelope) -> None:
        content = cast(bytes, envelope.original_content)
        email = message_from_bytes(content, policy=default)
        with self._lock:
            number = len(self._mails) + 1
            path = self._written(number, email, content)
            recipients = tuple(envelope.rcpt_tos)
            mail = KeptMail(number, envelope.mail_from or "", recipients, content, email, path)
            self._mails.append(mail)
        self._announce(mail)

    def _announce(self, mail: KeptMail) -> None:
        if self._on_message is None:
            return
        try:
            self._on_message(mail)
        except Exception:  # the mail is kept; a broken display must not look like a refusal
            log.exception("the hook for arriving mail failed")

    def _written(self, number: int, email: EmailMessage, content: bytes) -> Path | None:
        if self._folder is None:
            return None
        self._folder.mkdir(parents=True, exist_ok=True)
        path = self._folder / f"{number:03d}-{slug_of(str(email['Subject'] or ''))}.eml"
        path.write_bytes(content)
        return path


def slug_of(subject: str) -> str:
    """A subject as part of a file name: lower-case letters, digits and dashes."""
    words = re.sub(r"[^a-z0-9]+", "-", subject.lower()).strip("-")
    return words[:LONGEST_SLUG].rstrip("-") or "no-subject"
