"""Builders of what the tests of store and services start from.

Area, farms, fields, people and laboratories are invented; phones are fictional numbers.
"""

from __future__ import annotations

import asyncio
import csv
import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from fakes import FakeSource, FakeTransport, SettableClock
from sqlalchemy import inspect
from sqlmodel import select

from alerts.bootstrap import Parts
from alerts.intake.base import RawDocument
from alerts.intake.roster import read_roster
from alerts.loopback.gateway import LoopbackGateway
from alerts.loopback.mailbox import LoopbackMailbox
from alerts.messages.marks import mark
from alerts.services.delivery.dispatch import dispatch_due
from alerts.services.delivery.sending import SendingRules, SendReport
from alerts.services.farms.record_cuts import record_cut
from alerts.services.outlooks.area_look import EvaluationRules
from alerts.services.outlooks.evaluate_areas import evaluate_due
from alerts.services.outlooks.read_outlooks import FieldLine, field_lines
from alerts.services.people.enrol import EnrolReport, enrol
from alerts.services.results.accept_results import IntakeReport, accept
from alerts.settings import Settings, read_settings
from alerts.store.session import Sessions
from alerts.store.tables import (
    Area,
    DeliveryEvent,
    Farm,
    FarmField,
    LabResult,
    OutboxMessage,
    Person,
)
from alerts.transports.base import Channel

AREA = "Heron Flats"
ZONE = ZoneInfo("America/Chicago")
MONDAY = date(2027, 5, 10)
"""A sampling day in the middle of the invented spring."""

NOON = datetime.combine(MONDAY, time(12), tzinfo=ZONE).astimezone(UTC)

PHONE, OTHER_PHONE, THIRD_PHONE = "+12025550143", "+12025550144", "+12025550147"

ROSTER_ROW = {
    "farm": "Plum Bottom",
    "field": "North",
    "area": AREA,
    "time_zone": "America/Chicago",
    "farmer": "Ada Lindqvist",
    "phone": PHONE,
    "alert_by": "text",
    "consent_on": "2027-03-20",
    "consent_how": "signed form at the spring meeting",
    "animal_class": "milking_cows",
    "index": "rfv",
    "feed_target": "160",
    "handling_loss": "25",
    "harvest_method": "haylage",
    "harvest_days": "2",
    "which_load": "last",
    "notice_days": "5",
}

RESULT_ROW = {
    "farm": "Plum Bottom",
    "field": "North",
    "sampled_on": MONDAY.isoformat(),
    "method": "nir",
}


def build_settings(database_url: str, folder: Path, **changes: object) -> Settings:
    """Settings of a service that keeps its files in ``folder``; no .env file is read."""
    values: dict[str, object] = {
        "environment": "development",
        "database_url": database_url,
        "config_dir": None,
        "inbox_dir": folder / "inbox",
        "time_zone": ZONE.key,
        "secret": "a secret for the tests only",
        "public_url": "https://cutcall.example.org",
        "email_from": "cutcall@example.org",
    }
    return read_settings(_env_file=None, **{**values, **changes})


def loopback_settings(
    database_url: str,
    folder: Path,
    gateway: LoopbackGateway,
    mailbox: LoopbackMailbox,
    **changes: object,
) -> Settings:
    """The same, writing texts and emails to these two servers."""
    servers = {
        "sms": "rest",
        "sms_url": gateway.base_url,
        "sms_account": gateway.account,
        "sms_secret": gateway.secret,
        "sms_sender": "+12025550100",
        "email": "smtp",
        "smtp_host": mailbox.host,
        "smtp_port": mailbox.port,
        "smtp_use": "plain",
    }
    return build_settings(database_url, folder, **{**servers, **changes})


def day(offset: int) -> date:
    """The day so many days after the sampling day."""
    return MONDAY + timedelta(days=offset)


def sheet(rows: Sequence[Mapping[str, object]], delimiter: str = ",") -> str:
    """A CSV whose columns are those that the rows name."""
    columns = list(dict.fromkeys(column for row in rows for column in row))
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, columns, delimiter=delimiter)
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def results_sheet(*rows: Mapping[str, object]) -> str:
    """Results in the plain format; each row says how it differs from the usual one."""
    return sheet([{**RESULT_ROW, **row} for row in rows])


@dataclass(slots=True)
class Service:
    """The service with real code throughout, a fresh database, and fakes at its edges."""

    parts: Parts
    clock: SettableClock
    sms: FakeTransport
    mail: FakeTransport
    source: FakeSource

    @property
    def sessions(self) -> Sessions:
        return self.parts.sessions

    # ------------------------------------------------------------------ giving

    def enrol(self, *rows: Mapping[str, object], name: str = "roster.csv") -> EnrolReport:
        """Enrol fields, each given by how it differs from the usual row."""
        content = sheet([{**ROSTER_ROW, **row} for row in rows]).encode()
        roster = read_roster(
            content,
            name,
            animal_classes=self.parts.guidelines.animal_classes(),
            defaults=self.parts.roster_defaults(),
        )
        return enrol(self.sessions, roster, self.parts.guidelines, name, self.clock())

    def take(
        self, content: str | bytes, name: str = "results.csv", *, lab: str = ""
    ) -> IntakeReport:
        """Take a document in."""
        raw = content.encode() if isinstance(content, str) else content
        document = RawDocument(name, raw, "test", lab)
        return accept(self.sessions, document, self.parts.intake_rules(), self.clock())

    def results(self, *rows: Mapping[str, object]) -> IntakeReport:
        """Take in results, each given by how it differs from the usual row."""
        return self.take(results_sheet(*rows))

    def cut(self, field: str, on: date, farm: str = "Plum Bottom") -> int:
        return record_cut(self.sessions, farm=farm, field=field, cut_on=on, now=self.clock())

    # ----------------------------------------------------------------- working

    def evaluate(self, rules: EvaluationRules | None = None) -> int:
        return evaluate_due(
            self.sessions, rules or self.parts.evaluation_rules(), "evaluator", self.clock
        )

    def morning(self, on: date) -> None:
        """The first look of a day, before the send window opens, and the texts once it has."""
        self.clock.set(on, time(6, 5))
        self.evaluate()
        self.clock.set(on, time(7, 5))
        self.send()

    def send(self, rules: SendingRules | None = None, owner: str = "sender") -> SendReport:
        transports = {Channel.SMS: self.sms, Channel.EMAIL: self.mail}
        rules = rules or self.parts.sending_rules()
        return asyncio.run(dispatch_due(self.sessions, transports, rules, owner, self.clock))

    def sending_rules(self, **changes: object) -> SendingRules:
        return replace(self.parts.sending_rules(), **changes)

    def later(self, **passed: float) -> datetime:
        """Let time pass."""
        self.clock.now += timedelta(**passed)
        return self.clock.now

    # ----------------------------------------------------------------- looking

    def messages(self, kind: str = "") -> list[OutboxMessage]:
        """Messages in the order they were queued."""
        query = select(OutboxMessage).order_by(OutboxMessage.id)
        with self.sessions.read() as session:
            return [row for row in session.exec(query) if not kind or row.kind == kind]

    def message(self, kind: str = "") -> OutboxMessage:
        """The only message there is."""
        [found] = self.messages(kind)
        return found

    def steps(self, message: OutboxMessage) -> list[str]:
        """The statuses a message went through."""
        query = (
            select(DeliveryEvent)
            .where(DeliveryEvent.message_id == message.id)
            .order_by(DeliveryEvent.id)
        )
        with self.sessions.read() as session:
            return [event.status for event in session.exec(query)]

    def stored_results(self) -> list[LabResult]:
        """All versions of all results, oldest first."""
        return self.rows(LabResult)

    def rows(self, table: type) -> list:  # type: ignore[type-arg]
        """All rows of a table."""
        with self.sessions.read() as session:
            return list(session.exec(select(table).order_by(*inspect(table).primary_key)))

    def lines(self) -> list[FieldLine]:
        return field_lines(self.sessions)

    def line(self, field: str = "North") -> FieldLine:
        [found] = [line for line in self.lines() if line.field == field]
        return found


@dataclass(frozen=True, slots=True)
class Home:
    """Ids of one farm with one field, put straight into the tables."""

    area_id: int
    farm_id: int
    field_id: int
    person_id: int


def put_home(sessions: Sessions, farm: str = "Plum Bottom", field: str = "North") -> Home:
    """A farm in the area with one field and one farmer."""
    with sessions.write() as session:
        area = session.exec(select(Area).where(Area.name == AREA)).first()
        area = area or Area(name=AREA, time_zone="America/Chicago")
        person = Person(name="Ada Lindqvist", phone=PHONE)
        session.add_all([area, person])
        session.flush()
        home = Farm(
            area_id=area.id,
            name=farm,
            key=farm.casefold(),
            farmer_id=person.id,
            animal_class="milking_cows",
            index="rfv",
            feed_target=160.0,
            handling_loss=25.0,
            harvest_method="haylage",
            harvest_days=2.0,
            which_load="last",
            notice_days=5,
            send_from=time(7),
            send_to=time(20),
        )
        session.add(home)
        session.flush()
        place = FarmField(farm_id=home.id, name=field, key=field.casefold())
        session.add(place)
        session.flush()
        return Home(area.id, home.id, place.id, person.id)


def build_message(home: Home, key: str = "start:1", **changes: object) -> OutboxMessage:
    """A text about a start date that may go out at noon, for two days."""
    values: dict[str, object] = {
        "public_id": hashlib.sha256(key.encode()).hexdigest()[:24],
        "dedupe_key": key,
        "kind": "coming",
        "channel": "sms",
        "person_id": home.person_id,
        "farm_id": home.farm_id,
        "season": MONDAY.year,
        "cutting": 1,
        "start_on": day(3),
        "to_address": PHONE,
        "text": f"Cutcall Plum Bottom: start cutting about Thu May 13. {mark(key)}",
        "attachments": [],
        "mark": mark(key),
        "created_at": NOON,
        "told_on": MONDAY,
        "not_before": NOON,
        "expires_at": NOON + timedelta(days=2),
        "next_attempt_at": NOON,
    }
    return OutboxMessage(**{**values, **changes})
