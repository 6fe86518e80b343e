"""The tables.

area 1-n farm 1-n field 1-n result; document 1-n result, rejected_row, document_note;
person: farmer, consultant or sampler of farms; consent and opt_out belong to an address;
sign_up: what somebody asked for and has not confirmed; access_link, api_token: who sees what;
outlook (one row a field, one a farm): the newest projection; outbox: every message ever queued.

Table classes do not validate (SQLModel leaves that to plain models): everything that arrives here
has passed a parser or a domain function.
"""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Any

from sqlalchemy import JSON, Column, ForeignKey, Index, LargeBinary, UniqueConstraint
from sqlmodel import Field, SQLModel

from alerts.store.columns import UtcDateTime


def _instant(**kwargs: Any) -> Any:
    return Field(sa_type=UtcDateTime, **kwargs)


class Area(SQLModel, table=True):
    """The unit of work: whatever happens in an area makes the area due."""

    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True)
    time_zone: str
    sampling_days: str = ""  # such as "mon,thu"; "" = those of the schedule
    due_at: datetime | None = _instant(default=None, nullable=True, index=True)
    lease_owner: str = ""
    lease_until: datetime | None = _instant(default=None, nullable=True)


class AreaWeather(SQLModel, table=True):
    """One local day's weather of an area; a day observed replaces its forecast."""

    __tablename__ = "area_weather"

    area_id: int = Field(foreign_key="area.id", primary_key=True)
    day: date = Field(primary_key=True)
    tmax_f: float
    tmin_f: float
    forecast: bool
    rain_chance_pct: float | None = None
    rain_in: float | None = None
    fetched_at: datetime = _instant()


class Person(SQLModel, table=True):
    """Somebody who gets messages; enrolled once, known by phone or email."""

    id: int | None = Field(default=None, primary_key=True)
    name: str
    phone: str = Field(default="", index=True)
    email: str = Field(default="", index=True)
    language: str = "en"
    alert_by: str = "text"
    digest: str = "daily"  # of a consultant: daily, weekly, or changes
    digest_if_unchanged: bool = True
    email_if_unreached: bool = False  # a text that cannot reach them may go by email instead


class Consent(SQLModel, table=True):
    """Evidence that an address asked for messages: when and how."""

    __table_args__ = (UniqueConstraint("person_id", "channel", "address", "given_on", "how"),)

    id: int | None = Field(default=None, primary_key=True)
    person_id: int = Field(foreign_key="person.id", index=True)
    channel: str
    address: str = Field(index=True)
    given_on: date
    how: str
    recorded_at: datetime = _instant()
    given_at: datetime | None = _instant(default=None, nullable=True)  # None: on paper, day only
    wording: str = ""  # what the person was shown when they agreed
    ip: str = ""  # from where a web form was sent


class OptOut(SQLModel, table=True):
    """An address that must not be written to; kept apart from people so that it outlives them."""

    __tablename__ = "opt_out"
    __table_args__ = (UniqueConstraint("channel", "address"),)

    id: int | None = Field(default=None, primary_key=True)
    channel: str
    address: str
    at: datetime = _instant()
    how: str
    ended_at: datetime | None = _instant(default=None, nullable=True)  # asked to start again
    ended_how: str = ""


class SignUp(SQLModel, table=True):
    """What somebody typed into the sign-up form; a farm once they confirm it."""

    __tablename__ = "sign_up"

    id: int | None = Field(default=None, primary_key=True)
    channel: str
    address: str = Field(index=True)  # where the confirmation is asked
    form: dict[str, Any] = Field(sa_type=JSON)
    wording: str  # what they were shown
    ip: str = ""
    asked_at: datetime = _instant()
    expires_at: datetime = _instant()
    confirmed_at: datetime | None = _instant(default=None, nullable=True)
    farm_id: int | None = Field(default=None, foreign_key="farm.id")
    person_id: int | None = None  # of another address: whose it is to become
    refusal: str = ""  # why it could not become a farm when it was confirmed


class AccessLink(SQLModel, table=True):
    """A page somebody may open without a password; its address carries the signed id."""

    __tablename__ = "access_link"

    id: int | None = Field(default=None, primary_key=True)
    role: str  # farm, consultant, sampler or operator
    person_id: int | None = Field(default=None, foreign_key="person.id", index=True)
    farm_id: int | None = Field(default=None, foreign_key="farm.id", index=True)
    made_at: datetime = _instant()
    expires_at: datetime = _instant()
    revoked_at: datetime | None = _instant(default=None, nullable=True)


class ApiToken(SQLModel, table=True):
    """A program's key to the API; only its hash is kept."""

    __tablename__ = "api_token"

    id: int | None = Field(default=None, primary_key=True)
    name: str
    role: str  # lab, consultant or sampler
    person_id: int | None = Field(default=None, foreign_key="person.id", index=True)
    lab: str = ""
    scopes: str  # separated by spaces
    start: str  # its first characters, to tell tokens apart
    sha256: str = Field(unique=True)
    made_at: datetime = _instant()
    expires_at: datetime | None = _instant(default=None, nullable=True)
    revoked_at: datetime | None = _instant(default=None, nullable=True)
    last_used_at: datetime | None = _instant(default=None, nullable=True)


class ApiRequest(SQLModel, table=True):
    """The answer to a request with an idempotency key, given again when it is repeated."""

    __tablename__ = "api_request"

    token_id: int = Field(foreign_key="api_token.id", primary_key=True)
    key: str = Field(primary_key=True)
    sha256: str  # of what was asked
    status: int
    answer: dict[str, Any] = Field(sa_type=JSON)
    at: datetime = _instant()


class InboundText(SQLModel, table=True):
    """A text somebody sent us, exactly as it came, and what was made of it."""

    __tablename__ = "inbound_text"

    id: int | None = Field(default=None, primary_key=True)
    gateway_id: str = Field(unique=True)  # a webhook that comes again changes nothing
    from_address: str = Field(index=True)
    to_address: str
    body: str
    opt_out_type: str = ""  # STOP, START or HELP where the gateway itself acted on it
    received_at: datetime = _instant()
    handled_at: datetime | None = _instant(default=None, nullable=True, index=True)
    command: str = ""
    outcome: str = ""
    person_id: int | None = Field(default=None, foreign_key="person.id", index=True)


class Farm(SQLModel, table=True):
    __table_args__ = (UniqueConstraint("area_id", "key"),)

    id: int | None = Field(default=None, primary_key=True)
    area_id: int = Field(foreign_key="area.id", index=True)
    name: str
    key: str = Field(index=True)  # the name as it is compared
    farmer_id: int = Field(foreign_key="person.id", index=True)
    consultant_id: int | None = Field(default=None, foreign_key="person.id", index=True)
    sampler_id: int | None = Field(default=None, foreign_key="person.id", index=True)
    animal_class: str
    index: str
    feed_target: float
    handling_loss: float
    harvest_method: str
    harvest_days: float
    acres_per_day: float | None = None  # where the harvest's length is reckoned from the acres
    which_load: str
    notice_days: int
    send_from: time
    send_to: time
    paused_until: date | None = None  # first day on which it may be told something again


class FarmField(SQLModel, table=True):
    __tablename__ = "field"
    __table_args__ = (UniqueConstraint("farm_id", "key"),)

    id: int | None = Field(default=None, primary_key=True)
    farm_id: int = Field(foreign_key="farm.id", index=True)
    name: str
    key: str = Field(index=True)
    acres: float | None = None
    grass_pct: float = 0.0
    soil: str = ""
    slope: str = ""
    variety: str = ""
    seeding_year: int | None = None
    latitude: float | None = None
    longitude: float | None = None
    zip: str = ""  # United States ZIP code, where the place is known only so far
    public_name: str = ""  # a reference field whose results everybody may see bears one
    public_place: str = ""  # as coarse as it may be told, such as a county
    watched: bool = True
    cutting: int = 1
    cut_on: date | None = None  # when the cutting before this one was taken
    closed_on: date | None = None


class FieldName(SQLModel, table=True):
    """Another name a laboratory uses for a field."""

    __tablename__ = "field_name"
    __table_args__ = (UniqueConstraint("farm_key", "field_key", "field_id"),)

    id: int | None = Field(default=None, primary_key=True)
    field_id: int = Field(foreign_key="field.id", index=True)
    farm_key: str = ""  # "" stands for any farm
    field_key: str = Field(index=True)


class Cut(SQLModel, table=True):
    __table_args__ = (UniqueConstraint("field_id", "season", "cutting"),)

    id: int | None = Field(default=None, primary_key=True)
    field_id: int = Field(foreign_key="field.id", index=True)
    season: int
    cutting: int
    cut_on: date
    recorded_at: datetime = _instant()
    detail: dict[str, Any] = Field(default_factory=dict, sa_type=JSON)  # what was known that day


class Document(SQLModel, table=True):
    """A file or post exactly as it came; nothing a person gave us is ever lost."""

    id: int | None = Field(default=None, primary_key=True)
    sha256: str = Field(unique=True)
    name: str
    source: str
    lab: str = ""
    content: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    received_at: datetime = _instant()
    read_at: datetime | None = _instant(default=None, nullable=True, index=True)  # None: not yet
    refusal: str = ""  # why it could not be read at all


class LabResult(SQLModel, table=True):
    """A sample's values, lab or stem; a corrected one is a new version beside the old."""

    __tablename__ = "result"
    __table_args__ = (
        UniqueConstraint("identity", "version"),
        Index("ix_result_evidence", "field_id", "cutting", "sampled_on"),
    )

    id: int | None = Field(default=None, primary_key=True)
    identity: str  # laboratory and its number; or what the row says, where it has no number
    version: int = 1
    replaced_by: int | None = Field(default=None, foreign_key="result.id")
    document_id: int = Field(foreign_key="document.id", index=True)
    row: int
    farm_label: str
    field_label: str
    field_id: int | None = Field(default=None, foreign_key="field.id")
    cutting: int | None = None
    lab: str
    lab_number: str
    method: str
    sampled_on: date
    sampled_at: time | None = None
    late_in_day: bool = False
    spots: int = 0  # spots of a stem reading that could be used
    readings: list[Any] | dict[str, Any] = Field(sa_type=JSON)  # see domain.kept_readings
    remark: str = ""
    # The index values used as evidence: the laboratory's print where there is one, else ours.
    rfv: float | None = None
    rfq: float | None = None
    ndf: float | None = None
    computed_rfv: float | None = None
    computed_rfq: float | None = None
    received_at: datetime = _instant()
    withdrawn_at: datetime | None = _instant(default=None, nullable=True)  # its sender took it back


class RejectedRow(SQLModel, table=True):
    __tablename__ = "rejected_row"

    id: int | None = Field(default=None, primary_key=True)
    document_id: int = Field(foreign_key="document.id", index=True)
    row: int
    column: str
    reason: str
    raw: dict[str, str] = Field(sa_type=JSON)


class DocumentNote(SQLModel, table=True):
    __tablename__ = "document_note"

    id: int | None = Field(default=None, primary_key=True)
    document_id: int = Field(foreign_key="document.id", index=True)
    row: int
    column: str
    text: str


class FieldOutlookRow(SQLModel, table=True):
    """The newest projection of a field."""

    __tablename__ = "field_outlook"

    field_id: int = Field(foreign_key="field.id", primary_key=True)
    farm_id: int = Field(foreign_key="farm.id", index=True)
    cutting: int
    made_at: datetime = _instant()
    index: str
    standing_target: float
    results: int
    start_p10: date | None = None
    start_median: date | None = None
    start_p90: date | None = None
    chance_start_within_notice: float | None = None
    detail: dict[str, Any] = Field(sa_type=JSON)


class FarmOutlookRow(SQLModel, table=True):
    """The newest start date of a farm, all its fields together."""

    __tablename__ = "farm_outlook"

    farm_id: int = Field(foreign_key="farm.id", primary_key=True)
    cutting: int
    made_at: datetime = _instant()
    start_p10: date | None = None
    start_median: date | None = None
    start_p90: date | None = None
    chance_start_within_notice: float | None = None
    detail: dict[str, Any] = Field(sa_type=JSON)


class OutboxMessage(SQLModel, table=True):
    """A message and its whole life. ``dedupe_key`` makes a second one for the same purpose fail."""

    __tablename__ = "outbox"
    __table_args__ = (
        Index("ix_outbox_work", "status", "channel", "next_attempt_at"),
        Index("ix_outbox_told", "farm_id", "season", "cutting"),
    )

    id: int | None = Field(default=None, primary_key=True)
    public_id: str = Field(unique=True)
    dedupe_key: str = Field(unique=True)
    kind: str
    channel: str
    person_id: int = Field(foreign_key="person.id", index=True)
    farm_id: int | None = Field(default=None, foreign_key="farm.id")
    season: int | None = None
    cutting: int | None = None
    start_on: date | None = None  # the start date it tells
    to_address: str
    subject: str = ""
    text: str
    html: str = ""
    attachments: list[dict[str, str]] = Field(sa_type=JSON)
    mark: str
    created_at: datetime = _instant()
    told_on: date  # local date of the send window it belongs to
    not_before: datetime = _instant()
    expires_at: datetime = _instant()
    status: str = "queued"
    next_attempt_at: datetime = _instant()
    attempts: int = 0
    second_sends: int = 0  # attempts repeated after an unclear one was not found at the gateway
    lease_owner: str = ""
    lease_until: datetime | None = _instant(default=None, nullable=True)
    gateway_id: str = ""
    gateway_status: str = ""
    parts: int | None = None
    error_code: str = ""
    error_detail: str = ""
    accepted_at: datetime | None = _instant(default=None, nullable=True)
    settled_at: datetime | None = _instant(default=None, nullable=True)
    dismissed_at: datetime | None = _instant(default=None, nullable=True)  # off the operator's list
    resent_of: int | None = None  # the message that an operator had sent again
    time_zone: str = ""  # of whom it goes to, where no farm says when they may be written to
    fallback_of: int | None = Field(default=None, index=True)  # the text that did not arrive


class MessageField(SQLModel, table=True):
    """Which start date a message told for which field, in harvest order."""

    __tablename__ = "message_field"

    message_id: int = Field(
        sa_column=Column(ForeignKey("outbox.id", ondelete="CASCADE"), primary_key=True)
    )
    field_id: int = Field(foreign_key="field.id", primary_key=True)
    position: int
    start_on: date | None = None


class DeliveryEvent(SQLModel, table=True):
    """Every step of a message, as it happened."""

    __tablename__ = "delivery_event"

    id: int | None = Field(default=None, primary_key=True)
    message_id: int = Field(foreign_key="outbox.id", index=True)
    at: datetime = _instant()
    status: str
    code: str = ""
    detail: str = ""


class CalendarEntry(SQLModel, table=True):
    """The calendar event of a farm's harvest; its sequence rises when the date moves."""

    __tablename__ = "calendar_entry"

    farm_id: int = Field(foreign_key="farm.id", primary_key=True)
    season: int = Field(primary_key=True)
    cutting: int = Field(primary_key=True)
    uid: str
    sequence: int = 0
    start_on: date


class DigestSent(SQLModel, table=True):
    """What a consultant's last digest said, to mark what has changed since.

    The one before it is kept too: it is what was said last, should this one not leave.
    """

    __tablename__ = "digest_sent"

    person_id: int = Field(foreign_key="person.id", primary_key=True)
    sent_on: date
    said: dict[str, Any] = Field(sa_type=JSON)
    key: str  # dedupe key of its message
    before_on: date | None = None
    before: dict[str, Any] = Field(default_factory=dict, sa_type=JSON)


class JobRun(SQLModel, table=True):
    """The last run of each job of the scheduler."""

    __tablename__ = "job_run"

    name: str = Field(primary_key=True)
    started_at: datetime = _instant()
    ended_at: datetime | None = _instant(default=None, nullable=True)
    ok: bool = True
    detail: str = ""
    ticked_at: datetime | None = _instant(default=None, nullable=True)  # last tick claimed
    owner: str = ""  # by whom
    ticks: int = 0  # claimed in all


class Gateway(SQLModel, table=True):
    """What all senders share about one channel: how fast it may go, and whether it works.

    Its row is also the lock under which messages of the channel are claimed.
    """

    __tablename__ = "gateway"

    channel: str = Field(primary_key=True)
    allowance: float = 0.0  # messages that may leave at ``refilled_at``
    refilled_at: datetime | None = _instant(default=None, nullable=True)
    failures: int = 0  # in a row, of the gateway itself
    failing_since: datetime | None = _instant(default=None, nullable=True)  # None: it works
    paused_until: datetime | None = _instant(default=None, nullable=True)  # nothing is sent before
    reason: str = ""
