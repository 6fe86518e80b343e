"""The consultant's digest: one email a day, a table per client sorted by date, a CSV beside it."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from alerts.domain.decision import Kind
from alerts.domain.delivery import Status
from alerts.domain.records import Index
from alerts.messages import wording
from alerts.messages.start_messages import Letter
from alerts.messages.templates import Templates

FATE = {
    Status.QUEUED: "waiting to be sent",
    Status.SENDING: "on its way",
    Status.UNKNOWN: "not known whether it went out; being checked",
    Status.ACCEPTED: "taken by the gateway, no receipt yet",
    Status.SENT: "handed to the carrier",
    Status.DELIVERED: "arrived",
    Status.UNDELIVERED: "did not arrive",
    Status.FAILED: "could not be sent",
    Status.EXPIRED: "not sent, too late to be of use",
    Status.CANCELLED: "not sent, overtaken by newer results",
}

EMAIL_TAKEN = "taken by the mail server"


@dataclass(frozen=True, slots=True)
class DigestField:
    name: str
    cutting: int
    index: Index
    standing_target: float
    results: int
    start_p10: date | None
    start_median: date | None
    start_p90: date | None
    evidence: str
    cut_on: date | None = None  # when the cutting before this one was taken


@dataclass(frozen=True, slots=True)
class DigestMessage:
    """What was said to whom, and what became of it."""

    on: date
    to: str
    kind: str
    start_on: date | None
    channel: str
    status: Status
    detail: str


@dataclass(frozen=True, slots=True)
class DigestClient:
    farm: str
    farmer: str
    start_p10: date | None
    start_median: date | None
    start_p90: date | None
    fields: tuple[DigestField, ...]
    messages: tuple[DigestMessage, ...]


def by_date(clients: Sequence[DigestClient]) -> list[DigestClient]:
    """Earliest start date first, farms without one last."""
    return sorted(
        clients,
        key=lambda client: (
            client.start_median is None,
            client.start_median or date.max,
            client.farm,
        ),
    )


def digest(
    templates: Templates,
    language: str,
    clients: Sequence[DigestClient],
    today: date,
    mark: str,
    unsubscribe_url: str,
) -> tuple[Letter, bytes]:
    """The email and its CSV attachment (UTF-8 with BOM, so that spreadsheets read it)."""
    ordered = by_date(clients)
    soon = sum(1 for client in ordered if client.start_median is not None)
    headline = (
        f"Start dates on {wording.full_day(today)}: {len(ordered)} "
        f"client{'' if len(ordered) == 1 else 's'}, {soon} with a date"
    )
    values = {
        "headline": headline,
        "clients": [_client(client, today) for client in ordered],
        "unsubscribe_url": unsubscribe_url,
        "mark": mark,
    }
    letter = Letter(
        subject=headline,
        text=templates.fill("digest_email.txt", language, values),
        html=templates.fill("digest_email.html", language, values),
    )
    return letter, digest_csv(ordered)


def _client(client: DigestClient, today: date) -> dict[str, object]:
    fields = sorted(client.fields, key=lambda f: (f.start_median or date.max, f.name))
    return {
        "farm": client.farm,
        "farmer": client.farmer,
        "summary": _summary(client, today),
        "rows": [
            {"name": field.name, "start": _field_start(field, today), "evidence": _known(field)}
            for field in fields
        ],
        "told": [_told(message) for message in client.messages]
        or (["Told nothing yet."] if client.start_median else []),
    }


def _summary(client: DigestClient, today: date) -> str:
    if client.start_median is not None:
        began = [field.cut_on for field in client.fields if field.cut_on and not field.start_median]
        if began:
            # The rest of the farm follows; a date to start would be no news.
            return f"Cutting since {wording.full_day(min(began))}."
        likely = wording.likely(client.start_p10, client.start_p90, today)
        return f"Start {wording.full_day(client.start_median)} ({likely})."
    if any(field.start_p10 is not None for field in client.fields):
        return "Start later than the outlook reaches."
    if all(field.cut_on is not None for field in client.fields):
        return "All fields cut; no result from the next cutting yet."
    return "No start date yet: no usable result this season."


def _field_start(field: DigestField, today: date) -> str:
    if field.start_median is None:
        return "later" if field.start_p10 else "-"
    likely = wording.likely(field.start_p10, field.start_p90, today)
    return f"{wording.full_day(field.start_median)} ({likely})"


def _known(field: DigestField) -> str:
    if field.cut_on is None:
        return field.evidence
    return f"cut {wording.short_day(field.cut_on)}; cutting {field.cutting}: {field.evidence}"


SAID = {
    Kind.COMING: "start about {day}",
    Kind.MOVED: "start moved to {day}",
    Kind.START: "start {day}",
    Kind.PAST: "already past its target",
    Kind.NO_RESULTS: "no new result, clip again",
}


def _told(message: DigestMessage) -> str:
    day = wording.full_day(message.start_on) if message.start_on else ""
    said = SAID.get(Kind(message.kind), message.kind.replace("_", " ")).format(day=day)
    by = "text" if message.channel == "sms" else "email"
    return f"{wording.short_day(message.on)}, {by} to {message.to}: {said}; {fate(message)}."


def fate(message: DigestMessage) -> str:
    """What became of a message, in words."""
    if message.channel == "email" and message.status is Status.ACCEPTED:
        return EMAIL_TAKEN
    said = FATE[message.status]
    failed = message.status in (Status.UNDELIVERED, Status.FAILED)
    return f"{said} ({message.detail})" if failed and message.detail else said


_HEADER = (
    "client",
    "farmer",
    "field",
    "cutting",
    "index",
    "standing_target",
    "results",
    "start_p10",
    "start_median",
    "start_p90",
    "farm_start",
    "last_told",
    "told_start",
    "fate",
)


def digest_csv(clients: Sequence[DigestClient]) -> bytes:
    """One row a field; cells that a spreadsheet would run as a formula are made plain text."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(_HEADER)
    for client in clients:
        last = client.messages[-1] if client.messages else None
        for field in client.fields:
            writer.writerow(
                [
                    plain_cell(client.farm),
                    plain_cell(client.farmer),
                    plain_cell(field.name),
                    field.cutting,
                    field.index.label,
                    wording.number(field.standing_target),
                    field.results,
                    field.start_p10 or "",
                    field.start_median or "",
                    field.start_p90 or "",
                    client.start_median or "",
                    last.on if last else "",
                    last.start_on or "" if last else "",
                    plain_cell(fate(last)) if last else "",
                ]
            )
    return out.getvalue().encode("utf-8-sig")


def plain_cell(text: str) -> str:
    """Keep a name from acting as a formula when the CSV is opened in a spreadsheet."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text
