"""What an operator does: have a message sent again, take failures off the list, name a field.

A message is sent again as a new one beside the old: what happened to the old stays as it was. Never
one of which nobody knows whether it arrived: the person would get it twice.
"""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.domain.delivery import TOLD, UNDERWAY, Status
from alerts.domain.errors import CutcallError
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.names import name_key
from alerts.messages.marks import mark
from alerts.services.access.masking import without_address
from alerts.services.delivery.outgoing import public_id
from alerts.services.results.match_results import match_waiting
from alerts.store import fields, operator, opt_outs, outbox
from alerts.store.operator import FieldChoice
from alerts.store.outbox import FieldStart
from alerts.store.session import Sessions
from alerts.store.tables import OutboxMessage


class NotPossible(CutcallError):
    """What an operator asked for cannot be done, or must not be."""


# -------------------------------------------------------------------- sending again


def send_again(sessions: Sessions, message_id: int, now: datetime) -> int:
    """Queue a message anew that did not arrive; returns the number of the new one.

    NotPossible says why not: see `obstacle`.
    """
    with sessions.write() as session:
        message = _message(session, message_id)
        reason = obstacle(session, message, now)
        if reason:
            raise NotPossible(f"message {message_id} is not sent again: {reason}")
        told = [
            FieldStart(f.field_id, f.start_on) for f in operator.fields_told(session, message_id)
        ]
        again = outbox.enqueue(session, _copy(session, message, now), told)
        if again is None or again.id is None:
            raise NotPossible(f"message {message_id} is sent again already")
        message.dismissed_at = now  # the new one stands for it from here on
        session.add(message)
        return again.id


def obstacle(session: Session, message: OutboxMessage, now: datetime) -> str:
    """Why a message must not be sent again, as half a sentence; "" when it may."""
    if message.status not in (Status.FAILED, Status.UNDELIVERED):
        return _WHY_STATUS.get(Status(message.status), f"it is {message.status}")
    if _is_uncertain(session, message):
        return "nobody knows whether it arrived"
    if message.expires_at <= now:
        return "it is too late to be of use"
    if opt_outs.stopped(session, message.channel, [message.to_address]):
        return "the person stopped messages to this address"
    assert message.id is not None
    if any(row.status in TOLD | UNDERWAY for row in operator.sent_again(session, message.id)):
        return "it was sent again already"
    email = operator.email_instead(session, message.id)
    if email is not None and email.status in TOLD | UNDERWAY:
        return "it goes, or went, by email instead"
    return _overtaken(session, message, now)


_WHY_STATUS = {
    Status.UNKNOWN: "nobody knows whether it arrived; the gateway is asked first",
    Status.QUEUED: "it still waits to be sent",
    Status.SENDING: "it is being sent",
    Status.ACCEPTED: "the gateway took it",
    Status.SENT: "the gateway took it",
    Status.DELIVERED: "it arrived",
    Status.EXPIRED: "it is too late to be of use",
    Status.CANCELLED: "it was overtaken or stopped",
}


def _is_uncertain(session: Session, message: OutboxMessage) -> bool:
    """Whether an earlier attempt may have arrived: a mail server cannot be asked, a gateway can."""
    assert message.id is not None
    if message.channel != "email":
        return False
    return any(step.status == Status.UNKNOWN for step in operator.steps(session, message.id))


def _overtaken(session: Session, message: OutboxMessage, now: datetime) -> str:
    """Whether the farm has heard newer words, was cut, or is not to be told anything now."""
    if message.farm_id is None:
        return ""
    farm, zone = operator.farm_and_zone(session, message.farm_id)
    if farm.paused_until and now.astimezone(ZoneInfo(zone)).date() < farm.paused_until:
        return f"the farm asked for no messages before {farm.paused_until}"
    if message.cutting is None or message.start_on is None:
        return ""
    if operator.is_overtaken(session, message):
        return "a newer message tells the start date"
    if not operator.stands_at(session, message.farm_id, message.cutting):
        return "the fields were cut meanwhile"
    return ""


def _copy(session: Session, message: OutboxMessage, now: datetime) -> OutboxMessage:
    """The same kind and words under a key and mark of its own."""
    assert message.id is not None
    number = len(operator.sent_again(session, message.id)) + 1
    key = f"again:{message.id}:{number}"
    kept = message.model_dump(include=_SAME)
    return OutboxMessage(
        **kept,
        public_id=public_id(key),
        dedupe_key=key,
        # The gateway is asked by the mark: it must not find the one that did not arrive.
        text=message.text.replace(message.mark, mark(key)) if message.mark else message.text,
        mark=mark(key),
        created_at=now,
        told_on=_local_day(session, message, now),
        not_before=now,
        next_attempt_at=now,
        resent_of=message.id,
    )


_SAME = {
    *("kind", "channel", "person_id", "farm_id", "season", "cutting", "start_on"),
    *("to_address", "subject", "html", "attachments", "expires_at", "time_zone"),
}


def _local_day(session: Session, message: OutboxMessage, now: datetime) -> date:
    if message.farm_id is None:
        return message.told_on
    _, zone = operator.farm_and_zone(session, message.farm_id)
    return now.astimezone(ZoneInfo(zone)).date()


# ------------------------------------------------------------------ taking off the list


def dismiss(sessions: Sessions, message_id: int, now: datetime) -> None:
    """Take a message off the list of what needs somebody; it is kept.

    NotPossible while it may still reach the person.
    """
    with sessions.write() as session:
        message = _message(session, message_id)
        if message.status in UNDERWAY:
            raise NotPossible(f"message {message_id} is still under way; wait what becomes of it")
        message.dismissed_at = now
        session.add(message)


def dismiss_alike(sessions: Sessions, message_id: int, now: datetime) -> int:
    """Take a failure off the list with all that failed for the same reason; returns how many."""
    with sessions.write() as session:
        wanted = reason_of(_message(session, message_id))
        alike = [m.message for m in operator.failures(session) if reason_of(m.message) == wanted]
        return _dismiss_all(session, alike, now)


def dismiss_without_receipt(sessions: Sessions, before: datetime, now: datetime) -> int:
    """Take texts off the list that a gateway took before this moment and said no more of."""
    with sessions.write() as session:
        late = [row.message for row in operator.without_receipt(session, before)]
        return _dismiss_all(session, late, now)


def _dismiss_all(session: Session, messages: list[OutboxMessage], now: datetime) -> int:
    for message in messages:
        message.dismissed_at = now
        session.add(message)
    return len(messages)


def reason_of(message: OutboxMessage) -> tuple[str, str, str]:
    """State, code and words of a failure, without the address, so that like ones are alike."""
    detail = without_address(message.error_detail, message.to_address)
    return message.status, message.error_code, detail


def _message(session: Session, message_id: int) -> OutboxMessage:
    message = operator.find_message(session, message_id, locked=True)
    if message is None:
        raise NotPossible(f"there is no message {message_id}")
    return message


# ------------------------------------------------------------------------ naming fields


def assign(
    sessions: Sessions,
    *,
    label: str,
    farm_label: str,
    said: str,
    guidelines: GuidelineSet,
    now: datetime,
) -> int:
    """From now on a name means the field that was ``said``, as `field_label` writes it.

    Returns how many waiting results flow on. NotPossible when no open field, or more than one,
    is written so.
    """
    with sessions.write() as session:
        field_id = _field_said(operator.field_choices(session), said)
        known = fields.get_known(session, field_id)
        fields.add_name(session, field_id, farm_label, label)
        session.flush()
        pair = (name_key(farm_label), name_key(label))
        return match_waiting(session, guidelines, now, {pair: known})


def field_label(choice: FieldChoice) -> str:
    """A field as an operator picks it: farm, field and area."""
    return f"{choice.farm}, {choice.field} ({choice.area})"


def _field_said(choices: list[FieldChoice], said: str) -> int:
    wanted = name_key(said)
    found = [
        choice.id
        for choice in choices
        if wanted in (name_key(field_label(choice)), name_key(f"{choice.farm}, {choice.field}"))
    ]
    if len(found) == 1:
        return found[0]
    if not found:
        raise NotPossible(f"no open field is called '{said}'; pick one of the list")
    raise NotPossible(f"'{said}' is the name of {len(found)} fields; add the area in brackets")
