"""What all senders share about a gateway; its row is the lock of claiming."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime

from sqlmodel import Session, col, func, select

from alerts.domain.circuit import Circuit
from alerts.domain.delivery import Status
from alerts.store.racing import added
from alerts.store.tables import Gateway, OutboxMessage


def locked(session: Session, channel: str) -> Gateway:
    """The row of a channel's gateway, locked until the end of the transaction."""
    row = session.get(Gateway, channel, with_for_update=True, populate_existing=True)
    if row is None and added(session, Gateway(channel=channel)):
        row = session.get_one(Gateway, channel)
    return row or session.get_one(Gateway, channel, with_for_update=True)


def circuit_of(row: Gateway) -> Circuit:
    return Circuit(
        allowance=row.allowance,
        refilled_at=row.refilled_at,
        failures=row.failures,
        failing_since=row.failing_since,
        paused_until=row.paused_until,
        reason=row.reason,
    )


def put_circuit(session: Session, row: Gateway, circuit: Circuit) -> None:
    for name, value in asdict(circuit).items():
        setattr(row, name, value)
    session.add(row)


def in_flight(session: Session, channel: str, now: datetime) -> int:
    """Attempts of all senders that are under way."""
    return session.exec(
        select(func.count())
        .select_from(OutboxMessage)
        .where(
            OutboxMessage.status == Status.SENDING,
            OutboxMessage.channel == channel,
            col(OutboxMessage.lease_until) >= now,
        )
    ).one()


def all_gateways(session: Session) -> Sequence[Gateway]:
    return session.exec(select(Gateway).order_by(col(Gateway.channel))).all()
