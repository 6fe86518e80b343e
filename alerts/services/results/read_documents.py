"""What became of a document that somebody sent."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date, datetime

from sqlmodel import Session

from alerts.domain.records import Note
from alerts.services.access.scope import NotYours
from alerts.services.access.senders import Sender
from alerts.services.results.accept_results import IntakeReport
from alerts.store import documents, results


@dataclass(frozen=True, slots=True)
class RejectedView:
    row: int
    column: str
    reason: str


@dataclass(frozen=True, slots=True)
class ResultOfDocument:
    """A row that became a result."""

    row: int
    farm_label: str
    field_label: str
    sampled_on: date
    is_matched: bool  # its field is known; else it waits for somebody to say which it is
    is_replaced: bool  # a newer version counts instead, or its sender took it back


@dataclass(frozen=True, slots=True)
class DocumentView:
    id: int
    name: str
    received_at: datetime
    read_at: datetime | None
    refusal: str
    results: tuple[ResultOfDocument, ...]
    rejected: tuple[RejectedView, ...]
    notes: tuple[Note, ...]


def document_of(session: Session, sender: Sender, document_id: int) -> DocumentView:
    """A document that this sender sent; NotYours for any other number."""
    document = documents.find_document(session, document_id)
    if document is None or document.source != sender.source:
        raise NotYours("there is no such document here")
    rejected, notes = documents.rows_of(session, document_id)
    return DocumentView(
        id=document_id,
        name=document.name,
        received_at=document.received_at,
        read_at=document.read_at,
        refusal=document.refusal,
        results=tuple(
            ResultOfDocument(
                row=row.row,
                farm_label=row.farm_label,
                field_label=row.field_label,
                sampled_on=row.sampled_on,
                is_matched=row.field_id is not None,
                is_replaced=row.replaced_by is not None or row.withdrawn_at is not None,
            )
            for row in results.of_document(session, document_id)
        ),
        rejected=tuple(RejectedView(row.row, row.column, row.reason) for row in rejected),
        notes=tuple(Note(note.row, note.column, note.text) for note in notes),
    )


def report_json(report: IntakeReport) -> dict[str, object]:
    """What became of a document's rows, as posts and `cutcall intake --json` answer."""
    return {
        "document": report.document,
        "id": report.document_id,
        "accepted": report.accepted,
        "repeated": report.repeated,
        "corrected": report.corrected,
        "unmatched": report.unmatched,
        "rejected": [
            {"row": r.row, "column": r.column, "reason": r.reason} for r in report.rejected
        ],
        "notes": [asdict(note) for note in report.notes],
    }
