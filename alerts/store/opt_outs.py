"""The ledger of addresses that asked to be written to no more, and of those that came back."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import bindparam
from sqlmodel import Session, col, select

from alerts.store.racing import added
from alerts.store.tables import OptOut


def stopped(session: Session, channel: str, addresses: Iterable[str]) -> frozenset[str]:
    """Those of ``addresses`` that must not be written to."""
    return frozenset(stopped_at(session, channel, addresses))


_STOPPED_AT = select(OptOut.address, OptOut.at).where(
    OptOut.channel == bindparam("channel"),
    col(OptOut.address).in_(bindparam("addresses", expanding=True)),
    col(OptOut.ended_at).is_(None),
)


def stopped_at(session: Session, channel: str, addresses: Iterable[str]) -> dict[str, datetime]:
    """Those of ``addresses`` that must not be written to, with the moment they stopped."""
    asked = {"channel": channel, "addresses": list(addresses)}
    return dict(session.exec(_STOPPED_AT, params=asked).all())


def stop(session: Session, channel: str, address: str, now: datetime, how: str) -> None:
    """Write an address into the ledger; a second time changes nothing.

    One that had asked to start again is stopped anew.
    """
    entry = _ledger_entry(session, channel, address)
    if entry is None:
        added(session, OptOut(channel=channel, address=address, at=now, how=how))
    elif entry.ended_at is not None:
        entry.at, entry.how = now, how
        entry.ended_at, entry.ended_how = None, ""
        session.add(entry)


def start(session: Session, channel: str, address: str, now: datetime, how: str) -> bool:
    """End an opt-out because the address asked to start again; False when there was none."""
    entry = _ledger_entry(session, channel, address)
    if entry is None or entry.ended_at is not None:
        return False
    entry.ended_at, entry.ended_how = now, how
    session.add(entry)
    return True


def _ledger_entry(session: Session, channel: str, address: str) -> OptOut | None:
    query = select(OptOut).where(OptOut.channel == channel, OptOut.address == address)
    return session.exec(query).first()
