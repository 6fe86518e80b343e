"""What a restored database must not believe: that what waited then has not left since."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, Connection, case, insert, update
from sqlmodel import Session, SQLModel, col, select

from alerts.domain.delivery import Status
from alerts.store.tables import DeliveryEvent, OutboxMessage

_LEDGER = SQLModel.metadata.tables["opt_out"]

DETAIL = "restored from a backup: it may have left since"

Ledger = dict[tuple[str, str], Mapping[str, object]]
"""Opt-outs by channel and address."""


@dataclass(frozen=True, slots=True)
class Doubted:
    unknown: int  # messages that the gateway is asked about
    emails: int  # that may go once more, with the Message-ID they had


def doubt_waiting(connection: Connection, now: datetime) -> Doubted:
    """Hold what waited at the time of the backup for something that may have left since.

    A text that was queued and whose time has come by ``now``, and every message that was being
    sent, becomes `unknown`: the gateway is asked, and only what it does not hold goes out, once.
    They count as tried, so that a farm counts as told meanwhile. No mail server can be asked: an
    email goes out again under its old Message-ID, by which mail systems know it for the same.
    """
    with Session(connection) as session:
        texts = _waiting(session, now, col(OutboxMessage.channel) == "sms")
        emails = _waiting(session, now, col(OutboxMessage.channel) != "sms")
        sending = _ids(session, col(OutboxMessage.status) == Status.SENDING)
        _make_unknown(session, [*texts, *sending], now)
        session.flush()
        asked = len(texts) + len(sending)
        return Doubted(asked, len(emails))


def _waiting(session: Session, now: datetime, of: ColumnElement[bool]) -> list[int]:
    is_queued = col(OutboxMessage.status) == Status.QUEUED
    return _ids(session, is_queued, col(OutboxMessage.not_before) <= now, of)


def _ids(session: Session, *conditions: ColumnElement[bool]) -> list[int]:
    query = select(OutboxMessage.id).where(*conditions).order_by(col(OutboxMessage.id))
    return [one for one in session.exec(query) if one is not None]


def _make_unknown(session: Session, ids: list[int], now: datetime) -> None:
    if not ids:
        return
    tried = case((col(OutboxMessage.attempts) < 1, 1), else_=col(OutboxMessage.attempts))
    for start in range(0, len(ids), 500):  # engines bound how many values a statement holds
        some = ids[start : start + 500]
        session.exec(
            update(OutboxMessage)
            .where(col(OutboxMessage.id).in_(some))
            .values(
                status=Status.UNKNOWN,
                attempts=tried,
                next_attempt_at=now,
                lease_owner="",
                lease_until=None,
                error_code="",
                error_detail=DETAIL,
            )
            .execution_options(synchronize_session=False)
        )
    session.add_all(
        DeliveryEvent(message_id=one, at=now, status=Status.UNKNOWN, detail=DETAIL) for one in ids
    )


# ----------------------------------------------------------------------- opt-outs


def opt_outs(connection: Connection) -> Ledger:
    """Every opt-out and its end, to be kept when the rest is overwritten."""
    rows = connection.execute(_LEDGER.select()).mappings()
    return {(row["channel"], row["address"]): dict(row) for row in rows}


def keep_opt_outs(connection: Connection, before: Ledger) -> int:
    """Put back what the overwritten database knew later than the backup; returns how many.

    Somebody who asked for no more messages must not get one because an older state came back.
    """
    table = _LEDGER
    restored = opt_outs(connection)
    kept = 0
    for key, row in before.items():
        known = restored.get(key)
        if known is not None and _changed_at(known) >= _changed_at(row):
            continue
        values = {name: value for name, value in row.items() if name != "id"}
        statement = (
            insert(table) if known is None else update(table).where(table.c.id == known["id"])
        )
        connection.execute(statement, values)
        kept += 1
    return kept


def _changed_at(row: Mapping[str, object]) -> datetime:
    moments = [row["at"], row["ended_at"]]
    return max(moment for moment in moments if isinstance(moment, datetime))
