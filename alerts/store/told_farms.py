"""What farms were told: the start dates that left, and every message about them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from sqlalchemy import bindparam
from sqlalchemy.orm import defer
from sqlmodel import Session, col, select

from alerts.domain.decision import START_KINDS, Kind, Told, told_also
from alerts.domain.delivery import TOLD, UNDERWAY
from alerts.store.tables import MessageField, OutboxMessage


def by_farm(session: Session, farm_ids: Iterable[int], season: int) -> dict[tuple[int, int], Told]:
    """What each (farm, cutting) has been told this season, by messages that a gateway took.

    A message that was tried and is still under way counts as told: it will be, or it fails and
    stops counting. One that was never tried does not: newer words replace it.
    """
    rows = session.exec(
        select(  # type: ignore[call-overload]
            OutboxMessage.farm_id,
            OutboxMessage.cutting,
            OutboxMessage.kind,
            OutboxMessage.start_on,
            OutboxMessage.told_on,
        )
        .where(
            col(OutboxMessage.farm_id).in_(list(farm_ids)),
            OutboxMessage.season == season,
            col(OutboxMessage.kind).in_(sorted(START_KINDS)),
            col(OutboxMessage.status).in_(sorted(TOLD | UNDERWAY)),
            col(OutboxMessage.attempts) > 0,
        )
        .order_by(col(OutboxMessage.told_on), col(OutboxMessage.id))
    )
    told: dict[tuple[int, int], Told] = {}
    for farm_id, cutting, kind, start_on, told_on in rows:
        if cutting is None or start_on is None:
            continue
        key = (farm_id, cutting)
        told[key] = told_also(told.get(key), Kind(kind), start_on, told_on)
    return told


@dataclass(frozen=True, slots=True)
class ToldField:
    """The last start date a farmer was told for a field, and for the farm with it."""

    start_on: date
    farm_start_on: date | None
    position: int  # in harvest order, 0 = first
    kind: str
    on: date
    cutting: int | None


def by_field(session: Session, farm_ids: Iterable[int]) -> dict[int, ToldField]:
    """What was last told for each field, by field id; only messages that a gateway took."""
    rows = session.exec(
        select(MessageField, OutboxMessage)
        .join(OutboxMessage, col(OutboxMessage.id) == col(MessageField.message_id))
        .where(
            col(OutboxMessage.farm_id).in_(list(farm_ids)),
            col(OutboxMessage.status).in_(sorted(TOLD)),
        )
        .order_by(col(OutboxMessage.told_on), col(OutboxMessage.id))
    )
    return {
        told.field_id: ToldField(
            start_on=told.start_on,
            farm_start_on=message.start_on,
            position=told.position,
            kind=message.kind,
            on=message.told_on,
            cutting=message.cutting,
        )
        for told, message in rows
        if told.start_on is not None
    }


_FARM_MESSAGES = (
    select(OutboxMessage)
    .where(
        col(OutboxMessage.farm_id).in_(bindparam("farm_ids", expanding=True)),
        col(OutboxMessage.told_on) >= bindparam("since"),
    )
    .order_by(col(OutboxMessage.told_on), col(OutboxMessage.id))
    # Of emails, by far the most of the row, and asked for by none who lists messages.
    .options(defer(OutboxMessage.html), defer(OutboxMessage.attachments))  # type: ignore[arg-type]
)


def messages(session: Session, farm_ids: Iterable[int], since: date) -> list[OutboxMessage]:
    return list(session.exec(_FARM_MESSAGES, params={"farm_ids": list(farm_ids), "since": since}))
