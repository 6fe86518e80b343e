"""What an operator sees: what is under way, what failed, what waits for somebody."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlmodel import Session

from alerts.domain.delivery import Status
from alerts.services.access.masking import masked, without_address, without_keys
from alerts.services.access.scope import NotYours
from alerts.services.operating.clock_check import ClockState, clock_state
from alerts.services.operating.operations import field_label, obstacle, reason_of
from alerts.store import jobs, operator, results
from alerts.store.inbound import HANDLING_FAILED
from alerts.store.operator import MessageOf
from alerts.store.session import Sessions
from alerts.store.tables import Document, JobRun, OutboxMessage, RejectedRow, SignUp

RECEIPT_AFTER = timedelta(hours=1)
"""A text without a final state after this long is late; most arrive within a minute."""

TEXTS_SHOWN_FOR = timedelta(days=14)
"""A text that broke stays on the page this long; by then its sender has written again."""

MOST_SHOWN = 25
"""Messages of one list, and rows of one document, that are shown; the others are counted."""

MISSED_TICKS = 2
SPARE = timedelta(minutes=2)
"""A job is overdue when it has ended no run for two of its ticks and this long."""


@dataclass(frozen=True, slots=True)
class MessageLine:
    """A message in a list; its address is masked."""

    id: int
    kind: str
    channel: str
    to: str
    person: str
    farm: str
    status: str
    at: datetime  # when it came to its state
    reason: str
    obstacle: str  # why it must not be sent again; "" when it may


@dataclass(frozen=True, slots=True)
class Listed:
    """A list of messages, newest first, of which only so many are shown."""

    messages: int
    shown: tuple[MessageLine, ...]


@dataclass(frozen=True, slots=True)
class FailureGroup:
    """Messages that failed for the same reason, newest first."""

    status: str
    code: str
    detail: str
    messages: int
    shown: tuple[MessageLine, ...]


@dataclass(frozen=True, slots=True)
class QueueLine:
    status: str
    messages: int
    oldest: datetime


@dataclass(frozen=True, slots=True)
class WaitingName:
    """Results whose field nobody knows."""

    farm_label: str
    field_label: str
    results: int
    documents: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RowFault:
    row: int
    column: str
    reason: str


@dataclass(frozen=True, slots=True)
class WaitingDocument:
    """A document of which something could not be used, or that was not read to its end."""

    id: int
    name: str
    received_at: datetime
    refusal: str
    rows: int
    shown: tuple[RowFault, ...]


@dataclass(frozen=True, slots=True)
class SignUpLine:
    id: int
    channel: str
    to: str  # masked
    asked_at: datetime
    expires_at: datetime
    refusal: str  # "" while it waits for its confirmation


@dataclass(frozen=True, slots=True)
class BrokenText:
    """A text somebody sent us that could not be handled; who it came from is masked."""

    received_at: datetime
    sender: str
    body: str
    reason: str


@dataclass(frozen=True, slots=True)
class JobLine:
    """The last run of a job; without ``ended_at`` it has not run yet."""

    name: str
    every: timedelta
    started_at: datetime | None
    ended_at: datetime | None
    ok: bool
    detail: str
    overdue: bool

    @property
    def stuck(self) -> bool:
        return self.overdue or not self.ok


@dataclass(frozen=True, slots=True)
class Desk:
    """Everything an operator looks at, at one moment."""

    at: datetime
    queue: tuple[QueueLine, ...]
    failures: tuple[FailureGroup, ...]
    emailed: Listed  # texts that did not arrive, and went by email instead
    without_receipt: Listed
    unclear: Listed
    unmatched: tuple[WaitingName, ...]
    faulty: tuple[WaitingDocument, ...]
    unread: tuple[WaitingDocument, ...]
    sign_ups: tuple[SignUpLine, ...]
    broken_texts: tuple[BrokenText, ...]
    opt_outs: Mapping[str, int]
    jobs: tuple[JobLine, ...]
    field_labels: tuple[str, ...]  # every open field, as it may be said in `operations.assign`
    clock: ClockState = field(default_factory=ClockState)

    @property
    def failed(self) -> int:
        return sum(group.messages for group in self.failures)


def look(sessions: Sessions, ticks: Mapping[str, int], now: datetime) -> Desk:
    """The desk at this moment.

    ``ticks`` gives how many seconds lie between the ticks of each job, by its name.
    """
    with sessions.read() as session:
        late = operator.without_receipt(session, now - RECEIPT_AFTER)
        return Desk(
            at=now,
            queue=_queue(session),
            failures=_failures(session, now),
            emailed=_listed(session, operator.emailed(session), now),
            without_receipt=_listed(session, late, now),
            unclear=_listed(session, operator.unclear(session), now),
            unmatched=_unmatched(session),
            faulty=_faulty(session),
            unread=tuple(_document(found, ()) for found in operator.unread_documents(session)),
            sign_ups=tuple(_sign_up(row) for row in operator.sign_ups(session, now)),
            broken_texts=tuple(
                BrokenText(
                    row.received_at,
                    masked(row.from_address),
                    row.body,
                    row.outcome.removeprefix(HANDLING_FAILED),
                )
                for row in operator.broken_texts(session, now - TEXTS_SHOWN_FOR)
            ),
            opt_outs=operator.opt_outs(session),
            jobs=job_lines(session, ticks, now),
            field_labels=tuple(map(field_label, operator.field_choices(session))),
            clock=clock_state(session, now),
        )


def _queue(session: Session) -> tuple[QueueLine, ...]:
    order = list(Status)
    found = [QueueLine(*state) for state in operator.states(session)]
    return tuple(sorted(found, key=lambda line: order.index(Status(line.status))))


# ------------------------------------------------------------------------ messages


def _failures(session: Session, now: datetime) -> tuple[FailureGroup, ...]:
    """Failures by reason, the reason of most messages first."""
    groups: dict[tuple[str, str, str], list[MessageOf]] = defaultdict(list)
    for found in operator.failures(session):
        groups[reason_of(found.message)].append(found)
    made = [
        FailureGroup(*reason, len(alike), _listed(session, alike, now).shown)
        for reason, alike in groups.items()
    ]
    return tuple(sorted(made, key=lambda group: -group.messages))


def _listed(session: Session, found: Sequence[MessageOf], now: datetime) -> Listed:
    return Listed(len(found), tuple(_line(session, one, now) for one in found[:MOST_SHOWN]))


def _line(session: Session, found: MessageOf, now: datetime) -> MessageLine:
    message = found.message
    assert message.id is not None
    return MessageLine(
        id=message.id,
        kind=message.kind,
        channel=message.channel,
        to=masked(message.to_address),
        person=found.person,
        farm=found.farm,
        status=message.status,
        at=message.settled_at or message.accepted_at or message.created_at,
        reason=" ".join(filter(None, reason_of(message)[1:])),
        obstacle=obstacle(session, message, now),
    )


@dataclass(frozen=True, slots=True)
class Step:
    at: datetime
    status: str
    detail: str


@dataclass(frozen=True, slots=True)
class OpenMessage:
    """A whole message, with its address, as an operator opens it; its links open nothing."""

    id: int
    kind: str
    channel: str
    to: str
    status: str
    subject: str
    text: str
    attachments: tuple[str, ...]  # names of the files
    queued_at: datetime
    not_before: datetime
    expires_at: datetime
    attempts: int
    dismissed_at: datetime | None
    resent_of: int | None
    sent_again_as: tuple[int, ...]
    instead_of: int | None  # the text that this email stands in for
    emailed_as: int | None  # the email that stands in for this text
    obstacle: str
    steps: tuple[Step, ...]


def open_message(sessions: Sessions, message_id: int, now: datetime) -> OpenMessage:
    """One message with all that happened to it; NotYours when there is none."""
    with sessions.read() as session:
        message = operator.find_message(session, message_id)
        if message is None:
            raise NotYours(f"there is no message {message_id} here")
        return OpenMessage(
            id=message_id,
            kind=message.kind,
            channel=message.channel,
            to=message.to_address,
            status=message.status,
            subject=message.subject,
            text=without_keys(message.text),
            attachments=tuple(file["filename"] for file in message.attachments),
            queued_at=message.created_at,
            not_before=message.not_before,
            expires_at=message.expires_at,
            attempts=message.attempts,
            dismissed_at=message.dismissed_at,
            resent_of=message.resent_of,
            sent_again_as=_numbers(operator.sent_again(session, message_id)),
            instead_of=message.fallback_of,
            emailed_as=_email_of(session, message_id),
            obstacle=obstacle(session, message, now),
            steps=tuple(
                Step(step.at, step.status, " ".join(filter(None, (step.code, step.detail))))
                for step in operator.steps(session, message_id)
            ),
        )


def _email_of(session: Session, message_id: int) -> int | None:
    email = operator.email_instead(session, message_id)
    return email.id if email else None


def _numbers(messages: Sequence[OutboxMessage]) -> tuple[int, ...]:
    return tuple(message.id for message in messages if message.id is not None)


# ----------------------------------------------------------------- documents and names


def _unmatched(session: Session) -> tuple[WaitingName, ...]:
    return tuple(
        WaitingName(
            group.farm_label,
            group.field_label,
            len(group.results),
            tuple(dict.fromkeys(document for _, document in group.results)),
        )
        for group in results.unmatched(session)
    )


def _faulty(session: Session) -> tuple[WaitingDocument, ...]:
    return tuple(_document(*found) for found in operator.faulty_documents(session))


def _document(document: Document, rows: Sequence[RejectedRow]) -> WaitingDocument:
    assert document.id is not None
    return WaitingDocument(
        id=document.id,
        name=document.name,
        received_at=document.received_at,
        refusal=document.refusal,
        rows=len(rows),
        shown=tuple(RowFault(row.row, row.column, row.reason) for row in rows[:MOST_SHOWN]),
    )


# ------------------------------------------------------------------- sign-ups and jobs


def _sign_up(row: SignUp) -> SignUpLine:
    assert row.id is not None
    return SignUpLine(
        id=row.id,
        channel=row.channel,
        to=masked(row.address),
        asked_at=row.asked_at,
        expires_at=row.expires_at,
        refusal=without_address(row.refusal, row.address),
    )


def job_lines(session: Session, ticks: Mapping[str, int], now: datetime) -> tuple[JobLine, ...]:
    """The last run of every job there is; ``ticks`` as for `look`."""
    last = {run.name: run for run in jobs.last_runs(session)}
    return tuple(
        _job(name, timedelta(seconds=seconds), last.get(name), now)
        for name, seconds in ticks.items()
    )


def _job(name: str, every: timedelta, run: JobRun | None, now: datetime) -> JobLine:
    if run is None:
        return JobLine(name, every, None, None, ok=True, detail="", overdue=True)
    ended = run.ended_at or run.started_at
    # A run that lies ahead was kept by a clock that ran ahead: nothing has run since.
    overdue = abs(now - ended) > every * MISSED_TICKS + SPARE
    return JobLine(name, every, run.started_at, ended, run.ok, run.detail, overdue)
