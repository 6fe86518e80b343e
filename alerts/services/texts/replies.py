"""Texting back: a text that came in is stored, understood, acted on and answered.

The text is stored first, as it came. What it asks for, the answer to it and the mark that it is
handled are one transaction; a text that something broke over waits and is taken up again.
"""

from __future__ import annotations

import logging
import re
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session

from alerts.domain import trace
from alerts.domain.decision import TO_THE_STOPPED, Kind
from alerts.intake.inbound_text import (
    Command,
    Cut,
    Help,
    Link,
    No,
    Reading,
    Start,
    Stop,
    Thanks,
    Unclear,
    Wait,
    When,
    Why,
    Yes,
    agrees,
    in_spanish,
    read_text,
)
from alerts.messages import answers
from alerts.messages.letters import Letter
from alerts.services.access.links import LinkRules
from alerts.services.delivery.outgoing import To, outbox_row
from alerts.services.people.sign_up_rules import SignUpRules
from alerts.services.results.accept_results import IntakeReport, IntakeRules, accept
from alerts.services.texts import text_answers, text_consent, text_cuts, text_readings
from alerts.services.texts.text_answers import Answer, Work
from alerts.services.texts.text_readings import ReadyReading
from alerts.services.texts.text_writers import writer_of
from alerts.store import inbound, opt_outs, outbox
from alerts.store.session import Sessions
from alerts.store.tables import InboundText, OutboxMessage
from alerts.transports.base import TextIn

log = logging.getLogger(__name__)

ANSWER_LIFE = timedelta(hours=1)
"""An answer later than this would puzzle more than it helps."""

MOST_UNCLEAR = 3
"""Unclear texts of a number answered in an hour."""

MOST_ANSWERS = 30
"""Texts of a number answered in an hour: two machines must not talk for ever."""

HOUR, DAY = timedelta(hours=1), timedelta(days=1)

KEYWORDS_OF_GATEWAYS = frozenset(
    {"STOP", "STOPALL", "UNSUBSCRIBE", "CANCEL", "END", "QUIT", "REVOKE", "OPTOUT"}
    | {"START", "UNSTOP", "HELP", "INFO"}
)
"""Single words that a gateway answers by itself unless it is told not to; YES, too, where the
number had stopped."""

_PHONE = re.compile(r"\+[1-9]\d{7,14}")
UNCLEAR, STRANGER = "unclear: answered", "stranger: answered"


@dataclass(frozen=True, slots=True)
class ReplyRules:
    """What answering needs to know besides the text."""

    intake: IntakeRules
    sign_up: SignUpRules
    time_zone: str  # of somebody without a farm
    own_number: str  # texts come from; never answered
    contact: str  # whom to ask, in the help
    gateway_answers: bool  # the gateway itself answers exact STOP, START and HELP

    @property
    def links(self) -> LinkRules:
        return self.sign_up.links


@dataclass(frozen=True, slots=True)
class TakenIn:
    """``answer``: words for the gateway to send at once, since nobody is known at the number.

    Everybody else is answered through the outbox.
    """

    is_new: bool
    answer: str = ""


def take_in(sessions: Sessions, rules: ReplyRules, text: TextIn, now: datetime) -> TakenIn:
    """Store a text and do what it says; one that was handled already changes nothing."""
    with sessions.write() as session:
        row, is_new = inbound.keep_text(
            session,
            gateway_id=text.gateway_id,
            from_address=text.from_address,
            to_address=text.to_address,
            body=text.body,
            opt_out_type=text.opt_out_type,
            now=now,
        )
    if row.handled_at is not None:
        return TakenIn(is_new=False)
    with trace.about(text_id=row.id):
        try:
            return TakenIn(is_new, _handle(sessions, rules, row, now, by_webhook=True))
        except Exception:  # it is stored: `take_up` tries again, the gateway need not
            log.exception("text %s waits to be taken up again", row.id)
            return TakenIn(is_new)


def take_up(sessions: Sessions, rules: ReplyRules, now: datetime) -> int:
    """Handle texts that were stored and not handled; returns how many.

    One that fails again is closed with the reason, so that it does not fail for ever.
    """
    with sessions.read() as session:
        waiting = inbound.waiting(session)
    for row in waiting:
        with trace.about(text_id=row.id):
            _handle_or_close(sessions, rules, row, now)
    return len(waiting)


def _handle_or_close(
    sessions: Sessions, rules: ReplyRules, row: InboundText, now: datetime
) -> None:
    try:
        _handle(sessions, rules, row, now, by_webhook=False)
    except Exception as error:
        log.exception("text %s could not be handled", row.id)
        with sessions.write() as session:
            failed = inbound.get(session, row.id)
            inbound.close_text(
                session,
                failed,
                command=failed.command,
                outcome=f"{inbound.HANDLING_FAILED}{type(error).__name__}: {error}",
                person_id=None,
                now=now,
            )


# ------------------------------------------------------------------------ handling


def _handle(
    sessions: Sessions, rules: ReplyRules, row: InboundText, now: datetime, *, by_webhook: bool
) -> str:
    """Do what a stored text says; returns words for the gateway to send at once.

    Without ``by_webhook`` nothing can be said to somebody who is not known.
    """
    with sessions.read() as session:
        work = _work(session, rules, row, now)
        command = _command(work, row)
        ready = _ready_reading(rules, work, command)
    # With no session open: threads that hold one while they wait for another wait for each other.
    taken = _take_reading(sessions, rules, ready, now)
    with sessions.write() as session:
        stored = inbound.get(session, row.id)
        if stored.handled_at is not None:  # the gateway told it twice at the same time
            return ""
        work = _work(session, rules, stored, now)
        desk = _Desk(session, rules, work, stored, taken)
        answer = desk.settled(desk.answer(command), command, by_webhook=by_webhook)
        said = desk.send(answer)
        ids = work.writer.person_ids
        inbound.close_text(
            session,
            stored,
            command=type(command).__name__.lower(),
            outcome=answer.outcome,
            person_id=ids[0] if ids else None,
            now=now,
        )
        return said


def _work(session: Session, rules: ReplyRules, row: InboundText, now: datetime) -> Work:
    language = "es" if in_spanish(row.body) else "en"
    return Work(
        session=session,
        templates=rules.sign_up.templates,
        links=rules.links,
        season_first_day=rules.intake.season_first_day,
        writer=writer_of(session, row.from_address, rules.time_zone, language),
        phone=row.from_address,
        written_at=row.received_at,
        now=now,
    )


def _command(work: Work, row: InboundText) -> Command:
    acted = _OF_GATEWAYS.get(row.opt_out_type.strip().upper())
    if acted is not None:
        return acted
    day_first = work.writer.language == "es" or in_spanish(row.body)
    names = work.writer.all_names()
    command = read_text(row.body, work.today, names, day_first=day_first)
    if command == Unclear() and agrees(row.body):
        return Yes(plain=False)  # 'yes we did'
    return command


_OF_GATEWAYS: dict[str, Command] = {"STOP": Stop(), "START": Start(), "HELP": Help()}

_ACTING = (Start, Yes, No, Cut, Wait)
"""What is not done any more once a later text of the same phone was handled."""

Taken = tuple[ReadyReading, IntakeReport] | Answer | None


def _ready_reading(rules: ReplyRules, work: Work, command: Command) -> ReadyReading | Answer | None:
    if not isinstance(command, Reading) or not work.writer.is_known:
        return None
    return text_readings.prepare(work, command, rules.intake)


def _take_reading(
    sessions: Sessions, rules: ReplyRules, ready: ReadyReading | Answer | None, now: datetime
) -> Taken:
    """Take a stem reading in like any document, which has transactions of its own.

    Repeated after a crash it does no harm: a document is known by its content.
    """
    if not isinstance(ready, ReadyReading):
        return ready
    return ready, accept(sessions, ready.document, rules.intake, now)


@dataclass(slots=True)
class _Desk:
    """Doing what one text says."""

    session: Session
    rules: ReplyRules
    work: Work
    text: InboundText
    reading: Taken
    was_stopped: bool = False

    def answer(self, command: Command) -> Answer:
        self.was_stopped = self._is_stopped()
        work = self.work
        if isinstance(command, _ACTING) and inbound.is_overtaken(self.session, self.text):
            said = {"reason": "late", "said": answers.short(self.text.body)}
            return work.say("unclear", "not done: a later text was handled before", said)
        if self._is_for_sign_up(command):
            return text_consent.sign_up(work, self.rules.sign_up, self.text, command)
        match command:
            case Stop():
                return text_consent.stop(work, self.text, was_stopped=self.was_stopped)
            case Start():
                return text_consent.start(work, self.text) or self._stranger()
            case Help():
                return work.say("help", "help", {"contact": self.rules.contact}, kind=Kind.HELP)
            case Thanks():
                return Answer("", "nothing to answer")
            case Yes() if self.was_stopped and not command.plain:
                return Answer("", "yes of who stopped: no START")
            case Yes() if self.was_stopped:
                return text_consent.start(work, self.text) or self._stranger()
        if not work.writer.is_known:
            return self._stranger()
        match command:
            case Yes():
                agreed = text_cuts.agree(work) or text_consent.agree(work)
                return agreed or self._unclear("nothing", "")
            case No():
                return text_cuts.take_back(work, command)
            case Cut():
                return text_cuts.record(work, command)
            case When():
                return text_answers.tell_when(work, command)
            case Why():
                return text_answers.tell_why(work, command)
            case Wait():
                return text_answers.hold(work, command)
            case Link():
                return text_answers.give_link(work)
            case Reading():
                return self._reading()
        return self._unclear(command.reason, command.said)

    def _is_stopped(self) -> bool:
        return bool(opt_outs.stopped(self.session, "sms", [self.text.from_address]))

    def _is_for_sign_up(self, command: Command) -> bool:
        """Of a sign-up that waits all is the answer but STOP, HELP and what a farmer has to say."""
        if isinstance(command, Stop | Help) or not self._waits_for_yes():
            return False
        writer = self.work.writer
        return isinstance(command, Yes | Start) or not (writer.farms or writer.sampled)

    def _waits_for_yes(self) -> bool:
        return inbound.sign_up_waits(self.session, self.text.from_address, self.work.now)

    # -------------------------------------------------------------------- the others

    def _reading(self) -> Answer:
        if isinstance(self.reading, tuple):
            ready, report = self.reading
            return text_readings.tell(self.work, ready, report, self.rules.intake)
        return self.reading or self._unclear("", "")

    def _unclear(self, reason: str, said: str) -> Answer:
        since = self.work.now - HOUR
        seen = inbound.number_of(self.session, self.text.from_address, since, [UNCLEAR])
        if seen >= MOST_UNCLEAR:
            return Answer("", "unclear: told often enough")
        return self.work.say("unclear", UNCLEAR, {"reason": reason, "said": said})

    def _stranger(self) -> Answer:
        since = self.work.now - DAY
        if inbound.number_of(self.session, self.text.from_address, since, [STRANGER]):
            return Answer("", "stranger: told today")
        public = self.rules.links.public_url.rstrip("/")
        return self.work.say("stranger", STRANGER, {"url": f"{public}/signup" if public else ""})

    # --------------------------------------------------------------------- answering

    def gateway_has_answered(self, command: Command) -> bool:
        word = self.text.body.strip().upper()
        if self.text.opt_out_type:
            return True
        if not self.rules.gateway_answers:
            return False
        if isinstance(command, Yes):
            return word == "YES" and self.was_stopped
        return word in KEYWORDS_OF_GATEWAYS

    def settled(self, answer: Answer, command: Command, *, by_webhook: bool) -> Answer:
        """The answer as far as it may be sent; what is not, must not pass for an answer."""
        if self.gateway_has_answered(command):
            return Answer("", f"{answer.outcome}; the gateway answers")
        reaches = self.work.writer.is_known or by_webhook
        if answer.text and not (reaches and self.may_answer(answer)):
            return Answer("", f"{answer.outcome}; no answer sent")
        return answer

    def send(self, answer: Answer) -> str:
        """Queue the answer; returns it where it has to go with the webhook's own reply."""
        if not answer.text:
            return ""
        if not self.work.writer.is_known:
            return answer.text
        outbox.enqueue(self.session, self._message(answer))
        return ""

    def may_answer(self, answer: Answer) -> bool:
        """Never a short code or ourselves, not without end, and nobody who stopped."""
        phone = self.text.from_address
        if phone == self.rules.own_number or not _PHONE.fullmatch(phone):
            return False
        if answer.kind is Kind.STOPPED:
            return True
        if self._is_stopped() and answer.kind not in TO_THE_STOPPED:
            return False
        return inbound.number_of(self.session, phone, self.work.now - HOUR) < MOST_ANSWERS

    def _message(self, answer: Answer) -> OutboxMessage:
        key = f"reply:{self.text.gateway_id}"
        now, ids = self.work.now, self.work.writer.person_ids
        return outbox_row(
            key,
            answer.kind,
            To(ids[0], "sms", self.text.from_address),
            Letter(subject="", text=answer.text),
            now=now,
            told_on=self.work.day_now,
            expires_at=now + ANSWER_LIFE,
            # The gateway is asked for the whole text, and two equal answers are one.
            marked=False,
        )
