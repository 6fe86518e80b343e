"""Queueing the consultants' digests: one email per consultant and day."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlmodel import Session

from alerts.agronomy.goals import standing_target
from alerts.domain.decision import Kind
from alerts.domain.delivery import Status
from alerts.domain.records import Index
from alerts.messages import wording
from alerts.messages.digest import DigestClient, DigestField, DigestMessage, digest
from alerts.messages.marks import mark
from alerts.messages.templates import Templates
from alerts.services.outgoing import attachment_row
from alerts.services.unsubscribe import address_url
from alerts.store import outbox, outlooks, people
from alerts.store.outlooks import FieldView
from alerts.store.people import Recipient
from alerts.store.session import Sessions
from alerts.store.tables import Farm, OutboxMessage, Person

MESSAGES_SINCE = timedelta(days=14)
"""A digest shows what was said this far back."""

USEFUL_FOR = timedelta(hours=20)
"""Tomorrow's digest makes today's useless."""


@dataclass(frozen=True, slots=True)
class DigestRules:
    templates: Templates
    digest_at: time
    season_first_day: date
    public_url: str
    secret: str


def queue_digests(sessions: Sessions, rules: DigestRules, now: datetime) -> int:
    """Queue today's digest for every consultant whose hour has come; returns how many are new.

    The hour is that of the area of the consultant's first farm.
    """
    queued = 0
    with sessions.write() as session:
        for consultant in people.consultants(session):
            assert consultant.id is not None
            farms = people.farms_of_consultant(session, consultant.id)
            views = outlooks.field_views(session, [farm.id for farm, _ in farms if farm.id])
            if not views:
                continue
            local = now.astimezone(ZoneInfo(views[0].area.time_zone))
            if local.time() < rules.digest_at or not _in_season(views, rules):
                continue
            reach = people.recipients(session, [consultant.id], by_email=True)
            for recipient in reach[consultant.id]:
                queued += _queue(session, rules, recipient, farms, views, local.date(), now)
    return queued


def _in_season(views: Iterable[FieldView], rules: DigestRules) -> bool:
    """A digest without a single start date is no news."""
    return any(
        view.outlook is not None and view.outlook.made_at.date() >= rules.season_first_day
        for view in views
    )


def _queue(
    session: Session,
    rules: DigestRules,
    recipient: Recipient,
    farms: list[tuple[Farm, Person]],
    views: list[FieldView],
    today: date,
    now: datetime,
) -> int:
    key = f"digest:{recipient.person_id}:{recipient.channel}:{today}"
    if outbox.is_known(session, key):
        return 0
    link = address_url(rules.public_url, rules.secret, recipient.channel, recipient.address)
    clients = _clients(session, farms, views, today)
    letter, table = digest(rules.templates, recipient.language, clients, today, mark(key), link)
    outbox.enqueue(
        session,
        OutboxMessage(
            public_id=hashlib.sha256(key.encode()).hexdigest()[:24],
            dedupe_key=key,
            kind=Kind.DIGEST,
            channel=recipient.channel,
            person_id=recipient.person_id,
            to_address=recipient.address,
            subject=letter.subject,
            text=letter.text,
            html=letter.html,
            attachments=[
                attachment_row(f"start-dates-{today}.csv", "text/csv; charset=utf-8", table)
            ],
            mark=mark(key),
            created_at=now,
            told_on=today,
            not_before=now,
            expires_at=now + USEFUL_FOR,
            next_attempt_at=now,
        ),
    )
    return 1


def _clients(
    session: Session, farms: list[tuple[Farm, Person]], views: list[FieldView], today: date
) -> list[DigestClient]:
    ids = [farm.id for farm, _ in farms if farm.id is not None]
    said: dict[int, list[OutboxMessage]] = defaultdict(list)
    for message in outbox.farm_messages(session, ids, today - MESSAGES_SINCE):
        if message.farm_id is not None and message.status != Status.CANCELLED:
            said[message.farm_id].append(message)
    names = people.names(session, {m.person_id for messages in said.values() for m in messages})
    return [_client(farm, farmer, views, said[farm.id or 0], names) for farm, farmer in farms]


def _client(
    farm: Farm,
    farmer: Person,
    views: list[FieldView],
    said: list[OutboxMessage],
    names: dict[int, str],
) -> DigestClient:
    mine = [view for view in views if view.farm.id == farm.id]
    whole = next((view.farm_outlook for view in mine if view.farm_outlook is not None), None)
    return DigestClient(
        farm=farm.name,
        farmer=farmer.name,
        start_p10=whole.start_p10 if whole else None,
        start_median=whole.start_median if whole else None,
        start_p90=whole.start_p90 if whole else None,
        fields=tuple(_field(view) for view in mine),
        messages=tuple(
            DigestMessage(
                on=message.told_on,
                to=names.get(message.person_id, message.to_address),
                kind=message.kind,
                start_on=message.start_on,
                channel=message.channel,
                status=Status(message.status),
                detail=message.error_detail,
            )
            for message in said
        ),
    )


def _field(view: FieldView) -> DigestField:
    row, farm = view.outlook, view.farm
    index = Index(farm.index)
    detail: dict[str, Any] = row.detail if row else {}
    results = row.results if row else 0
    return DigestField(
        name=view.field.name,
        cutting=view.field.cutting,
        index=index,
        standing_target=float(
            standing_target(farm.feed_target, farm.handling_loss, falls=index.falls)
        ),
        results=results,
        start_p10=row.start_p10 if row else None,
        start_median=row.start_median if row else None,
        start_p90=row.start_p90 if row else None,
        evidence=wording.evidence_of(
            index,
            results,
            date.fromisoformat(detail["last_on"]) if detail.get("last_on") else None,
            detail.get("last_value"),
            detail.get("stands_in", ""),
            Index(detail["last_index"]) if detail.get("last_index") else None,
        ),
        cut_on=view.field.cut_on,
    )
