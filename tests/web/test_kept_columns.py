"""Whatever changes in whatever column of the database, a page that is kept never shows what was.

Each value of each column is changed in turn; then the page of an application that has kept it must
be the page of one that keeps nothing.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, time, timedelta
from typing import Any

import httpx
import pytest
from advisers import PER, farm, farm_id, page_of
from factories import MONDAY, NOON, THIRD_PHONE, Service, day
from fastapi import FastAPI
from sqlalchemy import JSON, Column, Table, bindparam, select
from sqlalchemy.exc import IntegrityError
from sqlmodel import SQLModel

from alerts.services.access.links import Role, link_path
from alerts.store import opt_outs
from alerts.store.columns import UtcDateTime
from alerts.store.tables import Farm
from alerts.web.app import build_app

SHOWN = {
    "farm": {
        *("access_link.expires_at", "access_link.revoked_at", "access_link.farm_id"),
        *("area.name", "area.time_zone", "person.language", "person.phone", "person.alert_by"),
        *("farm.name", "farm.feed_target", "farm.harvest_days", "farm.paused_until"),
        *("farm.send_from", "farm.notice_days", "field.name", "field.cutting", "field.cut_on"),
        *("field.closed_on", "cut.cut_on", "cut.season", "result.rfv", "result.sampled_on"),
        *("result.lab", "result.replaced_by", "result.withdrawn_at", "field_outlook.detail"),
        *("field_outlook.standing_target", "farm_outlook.start_median", "farm_outlook.start_p90"),
        *("outbox.status", "opt_out.ended_at", "opt_out.address"),
    },
    "client": {
        *("access_link.expires_at", "access_link.revoked_at", "access_link.person_id"),
        *("area.name", "farm.name", "farm.consultant_id", "field.name", "result.rfv"),
        *("field_outlook.detail", "farm_outlook.start_median", "outbox.status"),
    },
    "table": {
        *("access_link.expires_at", "access_link.revoked_at", "access_link.person_id"),
        *("area.name", "area.time_zone", "person.name", "person.phone", "person.digest"),
        *("farm.name", "farm.consultant_id", "farm.feed_target", "farm.paused_until"),
        *("field.name", "field.closed_on", "field_outlook.detail", "field_outlook.results"),
        *("farm_outlook.start_median", "farm_outlook.start_p10", "outbox.status"),
        *("outbox.start_on", "outbox.told_on", "opt_out.ended_at", "consent.address"),
    },
}
"""Columns of which we know that a change of theirs shows."""


def other(value: Any, column: Column[Any]) -> Any:
    """Another value of the same type; where there is none yet, one."""
    if isinstance(column.type, JSON):
        return _other_json(value)
    if isinstance(column.type, UtcDateTime):
        return value - timedelta(days=800) if value else NOON
    kind = column.type.python_type if value is None else type(value)
    if kind is date:
        return value + timedelta(days=1) if value else day(5)
    if kind is time:
        return value.replace(minute=(value.minute + 7) % 60) if value else time(7)
    if kind is bool:
        return not value
    if kind is str:
        return _WORDS.get(value, f"{value}x")
    if kind is bytes:
        return value + b"x"
    return (value or 0) + 1


_WORDS = {
    "rfv": "rfq",
    "rfq": "rfv",
    "text": "email",
    "email": "both",
    "en": "es",
    "daily": "weekly",
    "accepted": "failed",
    "delivered": "failed",
    "queued": "accepted",
    "last": "average",
    "America/Chicago": "Pacific/Auckland",
    "haylage": "baleage",
    "sms": "email",
}


def _other_json(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {name: _other_json(one) for name, one in value.items()}
    if isinstance(value, float):
        return value * 0.9 + 0.01
    if isinstance(value, list):
        return [_other_json(one) for one in value]
    return value


@pytest.fixture
def rich(spring: Service) -> Service:
    """A farm with all that a page can show: a cut, messages, a stop, an email for lost texts."""
    told = {"email": "ada@example.org", "email_if_unreached": "yes", "acres": 20}
    stopped = {"farmer": "Jon Vale", "phone": THIRD_PHONE}
    spring.enrol(
        farm("Plum Bottom", "North", **told),
        farm("Plum Bottom", "South", **told),
        farm("Stone Bench", "West", **stopped),
    )
    spring.cut("South", MONDAY)
    spring.evaluate()
    spring.clock.set(MONDAY, time(7, 5))
    spring.send()
    with spring.sessions.write() as session:
        opt_outs.stop(session, "sms", THIRD_PHONE, spring.clock(), "text")
        opt_outs.stop(session, "email", "ada@example.org", spring.clock(), "email")
    return spring


@pytest.fixture
def keeping(rich: Service) -> FastAPI:
    return build_app(rich.parts)


@pytest.fixture
def forgetting(rich: Service, monkeypatch: pytest.MonkeyPatch) -> FastAPI:
    """The application with room for no page."""
    monkeypatch.setattr("alerts.web.farm.PAGES_KEPT", 0)
    monkeypatch.setattr("alerts.web.consultant.TABLES_KEPT", 0)
    monkeypatch.setattr("alerts.web.consultant_farm.CLIENTS_KEPT", 0)
    return build_app(rich.parts)


def address_of(service: Service, which: str) -> str:
    table = page_of(service, Role.CONSULTANT, PER)
    if which != "farm":
        return f"{table}/farm/{farm_id(service, 'Plum Bottom')}" if which == "client" else table
    with service.sessions.write() as session:
        found = session.get_one(Farm, farm_id(service, "Plum Bottom"))
        return link_path(
            *(session, service.parts.link_rules(), Role.FARM),
            person_id=found.farmer_id,
            farm_id=found.id,
            now=service.clock(),
        )


def get(app: FastAPI, path: str) -> tuple[int, str]:
    async def once() -> tuple[int, str]:
        transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="https://x.example.org") as line:
            answer = await line.get(path)
            return answer.status_code, answer.text

    return asyncio.run(once())


def columns() -> Iterator[tuple[Table, Column[Any]]]:
    for table in SQLModel.metadata.sorted_tables:
        yield from ((table, column) for column in table.columns if not column.primary_key)


@contextmanager
def changed(service: Service, table: Table, column: Column[Any]) -> Iterator[bool]:
    """Every row with another value in a column; False where the database forbids it."""
    keys = [one.name for one in table.primary_key]
    with service.sessions.read() as session:
        before = [one._asdict() for one in session.connection().execute(select(table))]
    after = [{**row, column.name: other(row[column.name], column)} for row in before]
    try:
        _put(service, table, keys, column, after)
    except IntegrityError:
        yield False
        return
    yield bool(before)
    _put(service, table, keys, column, before)


def _put(
    service: Service,
    table: Table,
    keys: Sequence[str],
    column: Column[Any],
    rows: Sequence[Mapping[str, Any]],
) -> None:
    same = [table.columns[name] == bindparam(f"key_{name}") for name in keys]
    change = table.update().where(*same).values({column.name: bindparam("value")})
    values = [
        {"value": row[column.name], **{f"key_{name}": row[name] for name in keys}} for row in rows
    ]
    if values:
        with service.sessions.write() as session:
            session.connection().execute(change, values)


@pytest.mark.parametrize("which", SHOWN)
def test_no_column_changes_unseen(
    rich: Service, keeping: FastAPI, forgetting: FastAPI, which: str
) -> None:
    path = address_of(rich, which)
    usual = get(keeping, path)
    assert usual == get(forgetting, path)
    assert usual[0] == 200
    shows = set()
    for table, column in columns():
        with changed(rich, table, column) as is_changed:
            if is_changed:
                page = get(forgetting, path)
                assert get(keeping, path) == page, f"{table.name}.{column.name} changed unseen"
                shows |= {f"{table.name}.{column.name}"} if page != usual else set()
        assert get(keeping, path) == usual, f"{table.name}.{column.name}"
    assert SHOWN[which] <= shows
