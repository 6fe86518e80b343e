"""A consultant's clients as a CSV and as one calendar."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from sqlmodel import Session

from alerts.messages.sheets import Cell, csv_of
from alerts.messages.wording import ENGLISH
from alerts.services.consultants.client_table import Client, ClientField
from alerts.services.outlooks.client_calendar import ClientNote, client_calendar
from alerts.store import outlooks

HEADER = (
    *("client", "farmer", "area", "harvest_order", "field", "cutting", "acres"),
    *("harvest_method", "index", "standing_target", "results", "last_result"),
    *("start_p10", "start_median", "start_p90"),
    *("farm_start_p10", "farm_start_median", "farm_start_p90"),
    *("told_on", "told_start", "told_by", "fate", "paused_until", "not_written_to"),
)


def clients_csv(clients: Iterable[Client]) -> bytes:
    """One row a field, in the order of the table (RFC 4180, UTF-8 with BOM for spreadsheets).

    Cells that a spreadsheet would run as a formula are made plain text.
    """
    rows = (
        _row(client, order, field)
        for client in clients
        for order, field in enumerate(client.fields, start=1)
    )
    return csv_of(HEADER, rows).encode("utf-8-sig")


def _row(client: Client, order: int, field: ClientField) -> tuple[Cell, ...]:
    last = client.told[-1] if client.told else None
    return (
        *(client.farm, client.farmer, client.area, order, field.name, field.cutting, field.acres),
        *(client.harvest_method, field.index.label, ENGLISH.number(field.standing_target)),
        *(field.results, field.last, field.start_p10, field.start_median, field.start_p90),
        *(client.start_p10, client.start_median, client.start_p90),
        *((last.on, last.start_on, last.channel, last.fate) if last else ("", "", "", "")),
        *(client.paused_until, client.silent),
    )


def clients_calendar(
    session: Session,
    clients: Iterable[Client],
    *,
    today: date,
    organizer_email: str,
    now: datetime,
) -> bytes:
    """All start dates in one calendar to open; ``session`` must be able to write.

    The entries are those of the digest's calendar, see `client_calendar`; b"" where there are none.
    """
    notes = {client.farm_id: ClientNote(_description(client, today)) for client in clients}
    return client_calendar(
        session,
        outlooks.field_views(session, notes),
        notes,
        ENGLISH,
        organizer_email=organizer_email,
        now=now,
        published=False,
    )


def _description(client: Client, today: date) -> str:
    likely = ENGLISH.likely(client.start_p10, client.start_p90, today)
    first = client.first
    lines = [f"{client.farmer}, {client.area}", f"Start {likely}" if likely else ""]
    if first is not None:
        lines.append(f"First field {first.name}, target {first.target}, {first.last}")
    if client.paused_until is not None:
        lines.append(f"Paused until {ENGLISH.full_day(client.paused_until)}")
    if client.silent:
        lines.append(f"Not written to: {client.silent}")
    return "\n".join(line for line in lines if line)
