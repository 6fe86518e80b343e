"""The evening before a sampling day: telling samplers which fields to clip."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.domain.decision import EVEN, Kind
from alerts.messages.marks import mark
from alerts.messages.sampling import sample_due
from alerts.messages.templates import Templates
from alerts.store import outbox, outlooks, people
from alerts.store.outlooks import FieldView
from alerts.store.people import Recipient
from alerts.store.session import Sessions
from alerts.store.tables import OutboxMessage

EVENING = time(17, 0)
"""Local time from which tomorrow's clips are announced."""

BEDTIME = time(21, 0)
"""Local time from which nobody is reminded any more; a text that has not left by then never does.
47 CFR 64.1200(c)(1) of the United States ends telephone solicitation at this hour."""


@dataclass(frozen=True, slots=True)
class SamplingRules:
    templates: Templates
    weekdays: frozenset[int]  # date.weekday of the sampling days
    before: time


def queue_reminders(sessions: Sessions, rules: SamplingRules, now: datetime) -> int:
    """Queue a reminder for each sampler whose area samples tomorrow; returns how many are new.

    Only fields whose season has begun (a result is known) and that still stand above their
    target are named. The first clip of a spring is the sampler's own call.
    """
    queued = 0
    with sessions.write() as session:
        by_sampler: dict[tuple[int, date], list[FieldView]] = defaultdict(list)
        for view in outlooks.field_views(session):
            tomorrow = _tomorrow(view.area.time_zone, rules, now)
            if tomorrow is not None and view.farm.sampler_id is not None and _wants_clip(view):
                by_sampler[view.farm.sampler_id, tomorrow].append(view)
        reach = people.recipients(session, [sampler for sampler, _ in by_sampler])
        for (sampler, day), views in by_sampler.items():
            for recipient in reach.get(sampler, []):
                queued += _queue(session, rules, recipient, views, day, now)
    return queued


def _tomorrow(zone: str, rules: SamplingRules, now: datetime) -> date | None:
    local = now.astimezone(ZoneInfo(zone))
    tomorrow = local.date() + timedelta(days=1)
    if not EVENING <= local.time() < BEDTIME or tomorrow.weekday() not in rules.weekdays:
        return None
    return tomorrow


def _wants_clip(view: FieldView) -> bool:
    row = view.outlook
    if row is None or not view.field.watched or row.detail["stands_in"]:
        return False
    above: bool = row.detail["meets_today"] >= EVEN
    return above


def _worth(view: FieldView) -> float:
    return 0.0 if view.outlook is None else float(view.outlook.detail["sample_worth_days"])


def _queue(
    session: Session,
    rules: SamplingRules,
    recipient: Recipient,
    views: list[FieldView],
    day: date,
    now: datetime,
) -> int:
    key = f"clip:{recipient.person_id}:{recipient.channel}:{day}"
    if outbox.is_known(session, key):
        return 0
    fields: dict[str, list[str]] = defaultdict(list)
    # Within a farm, the clip that narrows its date most comes first.
    for view in sorted(views, key=_worth, reverse=True):
        fields[view.farm.name].append(view.field.name)
    letter = sample_due(
        rules.templates,
        recipient.language,
        list(fields.items()),
        day,
        rules.before,
        mark(key),
        by_text=recipient.channel == "sms",
    )
    zone = ZoneInfo(views[0].area.time_zone)
    outbox.enqueue(
        session,
        OutboxMessage(
            public_id=hashlib.sha256(key.encode()).hexdigest()[:24],
            dedupe_key=key,
            kind=Kind.SAMPLE_DUE,
            channel=recipient.channel,
            person_id=recipient.person_id,
            to_address=recipient.address,
            subject=letter.subject,
            text=letter.text,
            attachments=[],
            mark=mark(key),
            created_at=now,
            told_on=now.astimezone(zone).date(),
            not_before=now,
            expires_at=_expiry(recipient, day, rules, zone),
            next_attempt_at=now,
        ),
    )
    return 1


def _expiry(recipient: Recipient, day: date, rules: SamplingRules, zone: ZoneInfo) -> datetime:
    """A text rings at once and must not do so at night; an email may be read before the clip."""
    if recipient.channel == "sms":
        return datetime.combine(day - timedelta(days=1), BEDTIME, tzinfo=zone)
    return datetime.combine(day, rules.before, tzinfo=zone)
