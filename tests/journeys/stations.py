"""The whole service as bootstrap wires it, on a clock the test sets, between real servers.

Farms, fields, laboratories and people are invented; phones are fictional 555-01xx numbers.
"""

from __future__ import annotations

import asyncio
import os
import re
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time
from pathlib import Path
from zoneinfo import ZoneInfo

from dying_sender import KILLED
from factories import ROSTER_ROW, sheet
from fakes import SettableClock
from pydantic import SecretStr
from sqlmodel import col, select

from alerts.bootstrap import Parts, build_parts
from alerts.intake.roster import read_roster
from alerts.loopback.gateway import LoopbackGateway, StoredText
from alerts.loopback.mailbox import KeptMail, LoopbackMailbox
from alerts.scheduler import run_round
from alerts.services.delivery.sending import SendReport
from alerts.services.outlooks.read_outlooks import FieldLine, field_lines
from alerts.services.people.enrol import enrol
from alerts.settings import Settings
from alerts.store.tables import DeliveryEvent, OutboxMessage

ZONE = ZoneInfo("America/Chicago")
SAMPLED = date(2027, 5, 11)
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

DYING_SENDER = Path(__file__).with_name("dying_sender.py")

PHONES = {"Plum Bottom": "+12025550143", "Brook Farm": "+12025550144"}
ROSTER = [
    {"consultant": "Marta Quill", "consultant_email": "marta@example.org"},
    *(
        {
            "farm": "Brook Farm",
            "field": name,
            "farmer": "Ned Okafor",
            "phone": PHONES["Brook Farm"],
            "email": "ned@example.org",
            "alert_by": "both",
            "consultant": "Marta Quill",
            "consultant_email": "marta@example.org",
        }
        for name in ("East", "West")
    ),
]
"""Two farms: one with a single field told by text, one with two fields told both ways."""


# ------------------------------------------------------------------ in one process


@dataclass(slots=True)
class Station:
    """The running service with its gateway, mailbox, inbox and clock."""

    settings: Settings
    clock: SettableClock
    gateway: LoopbackGateway
    mailbox: LoopbackMailbox
    parts: Parts = field(init=False)
    _runner: asyncio.Runner = field(init=False)

    def __post_init__(self) -> None:
        self.open()

    def open(self) -> None:
        self._runner = asyncio.Runner()
        self.parts = build_parts(self.settings, clock=self.clock, jitter=lambda: 0.5)

    def close(self) -> None:
        self._runner.run(self.parts.aclose())
        self._runner.close()

    # ------------------------------------------------------------------ giving

    def enrol(self, *rows: Mapping[str, object]) -> None:
        content = sheet([{**ROSTER_ROW, **row} for row in rows]).encode()
        roster = read_roster(
            content,
            "roster.csv",
            animal_classes=self.parts.guidelines.animal_classes(),
            defaults=self.parts.roster_defaults(),
        )
        report = enrol(
            self.parts.sessions, roster, self.parts.guidelines, "roster.csv", self.clock()
        )
        assert not report.rejected

    def drop(self, name: str, content: str) -> None:
        """Put a lab file into the inbox, whole at once."""
        inbox = self.settings.inbox_dir
        (inbox / f"{name}.part").write_text(content, encoding="utf-8")
        (inbox / f"{name}.part").rename(inbox / name)

    # ----------------------------------------------------------------- working

    def round(self, day: date, at: time) -> SendReport:
        """Every job once, at this local time."""
        self.clock.set(day, at)
        return self._runner.run(run_round(self.parts)).sending

    def crash_while(self, day: date, at: time, *, after_sending: bool) -> None:
        """A process of the service is killed in its first text, before or after it is sent."""
        self.clock.set(day, at)
        when = "after" if after_sending else "before"
        done = subprocess.run(
            [sys.executable, str(DYING_SENDER), self.clock().isoformat(), when],
            env=os.environ | as_environment(self.settings),
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert done.returncode == KILLED, done.stderr

    # ----------------------------------------------------------------- looking

    def texts(self, farm: str = "Plum Bottom") -> list[StoredText]:
        return [text for text in self.gateway.texts if text.to == PHONES[farm]]

    def mails(self, to: str) -> list[KeptMail]:
        return [mail for mail in self.mailbox.mails if mail.recipients == (to,)]

    def line(self, name: str) -> FieldLine:
        [line] = [line for line in field_lines(self.parts.sessions) if line.field == name]
        return line

    def outbox(self, channel: str = "sms") -> list[OutboxMessage]:
        query = select(OutboxMessage).order_by(col(OutboxMessage.id))
        with self.parts.sessions.read() as session:
            return [row for row in session.exec(query) if row.channel == channel]

    def steps(self, message: OutboxMessage) -> list[str]:
        query = (
            select(DeliveryEvent)
            .where(DeliveryEvent.message_id == message.id)
            .order_by(col(DeliveryEvent.id))
        )
        with self.parts.sessions.read() as session:
            return [event.status for event in session.exec(query)]


def as_environment(settings: Settings) -> dict[str, str]:
    """The settings as a process of its own is given them."""
    given: dict[str, str] = {}
    for name in type(settings).model_fields:
        value = getattr(settings, name)
        said = value.get_secret_value() if isinstance(value, SecretStr) else value
        if said is not None:
            given[f"CUTCALL_{name.upper()}"] = str(said)
    return given


def date_in(text: str, pattern: str) -> date:
    """The date in a text where the pattern has DATE; the year is that of the journeys."""
    month = "|".join(MONTHS)
    whole = pattern.replace("DATE", rf"(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) ({month}) (\d+)")
    found = re.search(whole, text)
    assert found is not None, text
    told = date(2027, 1 + MONTHS.index(found[1]), int(found[2]))
    assert f"{told:%a} {found[1]} {told.day}" in text  # the day of the week is the right one
    return told
