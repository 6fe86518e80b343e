"""A consultant's clients as a digest shows them, and what its next one will be held against."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from sqlmodel import Session

from alerts.agronomy.goals import standing_target
from alerts.domain.changes import (
    Change,
    ChangeKind,
    FarmSaid,
    FieldSaid,
    Said,
    changes_since,
    moved_fields,
)
from alerts.domain.decision import START_KINDS
from alerts.domain.delivery import Status
from alerts.domain.records import Index
from alerts.messages.digest_parts import DigestClient, DigestField, DigestMessage
from alerts.messages.wording import Wording
from alerts.services.delivery.fallbacks import emailed_instead
from alerts.services.outlooks.outlook_charts import Results, open_results
from alerts.store import people, told_farms
from alerts.store.outlooks import FieldView
from alerts.store.tables import Farm, OutboxMessage, Person

MESSAGES_SINCE = timedelta(days=14)
"""A digest shows what was said this far back."""

LOST = frozenset({Status.FAILED, Status.UNDELIVERED, Status.EXPIRED})
"""Messages that somebody waits for in vain."""


@dataclass(frozen=True, slots=True)
class Clients:
    """What is known of the clients, read in one go."""

    farms: Sequence[tuple[Farm, Person]]
    views: Mapping[int, list[FieldView]]  # open fields by farm id
    results: Results
    messages: Mapping[int, list[OutboxMessage]]  # by farm id, oldest first
    names: Mapping[int, str]  # of people

    @property
    def all_views(self) -> list[FieldView]:
        return [view for mine in self.views.values() for view in mine]


def read_clients(
    session: Session,
    farms: Sequence[tuple[Farm, Person]],
    views: Iterable[FieldView],
    today: date,
    season_first_day: date,
) -> Clients:
    """Three statements, however many clients there are."""
    by_farm: dict[int, list[FieldView]] = defaultdict(list)
    for view in views:
        by_farm[view.farm.id or 0].append(view)
    fields = [view.field for mine in by_farm.values() for view in mine]
    ids = [farm.id for farm, _ in farms if farm.id is not None]
    said: dict[int, list[OutboxMessage]] = defaultdict(list)
    for message in told_farms.messages(session, ids, today - MESSAGES_SINCE):
        said[message.farm_id or 0].append(message)
    told = {message.person_id for messages in said.values() for message in messages}
    return Clients(
        farms=farms,
        views=by_farm,
        results=open_results(session, fields, season_first_day),
        messages=said,
        names=people.names(session, told),
    )


# ------------------------------------------------------------- to compare with later


def said_of(clients: Clients, today: date) -> Said:
    """What a digest of today says, as the next one will be compared with it."""
    return {farm.id: _farm_said(farm, clients, today) for farm, _ in clients.farms if farm.id}


def _farm_said(farm: Farm, clients: Clients, today: date) -> FarmSaid:
    views = clients.views.get(farm.id or 0, [])
    start = None if _is_under_way(views) else _start(views)
    paused = farm.paused_until
    messages = clients.messages.get(farm.id or 0, [])
    emailed = emailed_instead(messages)
    return FarmSaid(
        name=farm.name,
        start=start,
        near=start is not None and start <= today + timedelta(days=farm.notice_days),
        paused_until=paused if paused is not None and paused > today else None,
        fields={view.field.id: _field_said(view, clients) for view in views if view.field.id},
        failed={
            message.id: clients.names.get(message.person_id, message.to_address)
            for message in messages
            if message.id is not None
            and Status(message.status) in LOST
            and message.id not in emailed
        },
    )


def _field_said(view: FieldView, clients: Clients) -> FieldSaid:
    return FieldSaid(
        name=view.field.name,
        start=view.outlook.start_median if view.outlook else None,
        cut_on=view.field.cut_on,
        results={
            row.id: row.identity
            for row in clients.results.get(view.field.id or 0, [])
            if row.id is not None
        },
    )


def _start(views: Collection[FieldView]) -> date | None:
    whole = next((view.farm_outlook for view in views if view.farm_outlook is not None), None)
    return whole.start_median if whole else None


def _is_under_way(views: Collection[FieldView]) -> bool:
    """Whether a field was cut already, and the date is of what still stands."""
    return any(view.field.cut_on is not None and view.outlook is None for view in views)


# ------------------------------------------------------------------------ to be shown


def clients_shown(
    clients: Clients, words: Wording, today: date, before: Said | None, since: date | None
) -> tuple[DigestClient, ...]:
    """Every client, with what changed since ``before``; nothing is marked where it is None."""
    now = said_of(clients, today)
    changes = {} if before is None else changes_since(before, now, today)
    moved = [
        farm_id
        for farm_id, found in changes.items()
        if any(change.kind is ChangeKind.MOVED for change in found)
    ]
    was = {} if before is None else moved_fields(before, now, moved)
    return tuple(
        _client(farm, farmer, clients, words, changes.get(farm.id or 0, ()), was, since)
        for farm, farmer in clients.farms
    )


def _client(
    farm: Farm,
    farmer: Person,
    clients: Clients,
    words: Wording,
    changes: tuple[Change, ...],
    was: Mapping[int, date],
    since: date | None,
) -> DigestClient:
    mine = clients.views.get(farm.id or 0, [])
    messages = clients.messages.get(farm.id or 0, [])
    emailed = emailed_instead(messages)
    whole = next((view.farm_outlook for view in mine if view.farm_outlook is not None), None)
    fresh = {
        change.field_id: change.kind
        for change in reversed(changes)
        if change.kind in (ChangeKind.RESULT, ChangeKind.CORRECTED, ChangeKind.NEW_FIELD)
    }
    return DigestClient(
        farm=farm.name,
        farmer=farmer.name,
        farm_id=farm.id or 0,
        start_p10=whole.start_p10 if whole else None,
        start_median=whole.start_median if whole else None,
        start_p90=whole.start_p90 if whole else None,
        fields=tuple(
            _field(view, words, was.get(view.field.id or 0), fresh.get(view.field.id))
            for view in mine
        ),
        messages=tuple(
            _message(message, clients.names, emailed)
            for message in messages
            if _is_worth_a_line(message, since)
        ),
        paused_until=farm.paused_until,
        changes=changes,
    )


def _is_worth_a_line(message: OutboxMessage, since: date | None) -> bool:
    """What was overtaken is said once, since the farmer never saw it."""
    if message.status != Status.CANCELLED:
        return True
    return message.kind in START_KINDS and since is not None and message.told_on >= since


def _message(
    message: OutboxMessage, names: Mapping[int, str], emailed: frozenset[int | None]
) -> DigestMessage:
    return DigestMessage(
        on=message.told_on,
        to=names.get(message.person_id, message.to_address),
        kind=message.kind,
        start_on=message.start_on,
        channel=message.channel,
        status=Status(message.status),
        detail=message.error_detail,
        instead=message.fallback_of is not None,
        emailed=message.id in emailed,
    )


def _field(
    view: FieldView, words: Wording, was: date | None, fresh: ChangeKind | None
) -> DigestField:
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
        evidence=words.evidence_of(
            index,
            results,
            date.fromisoformat(detail["last_on"]) if detail.get("last_on") else None,
            detail.get("last_value"),
            detail.get("stands_in", ""),
            Index(detail["last_index"]) if detail.get("last_index") else None,
            is_area=detail.get("is_area", False),
            area_fields=detail.get("area_fields", 0),
        ),
        cut_on=view.field.cut_on,
        was=was,
        fresh=fresh,
    )
