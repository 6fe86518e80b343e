"""Documents as they came, with what could not be used of them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import datetime

from sqlmodel import Session, col, delete, select

from alerts.domain.records import Note, Rejection
from alerts.store.tables import Document, DocumentNote, RejectedRow


def keep_document(
    session: Session, *, name: str, source: str, lab: str, content: bytes, now: datetime
) -> Document:
    """Store a document, or return the one that holds the same bytes already."""
    digest = hashlib.sha256(lab.encode() + b"\0" + content).hexdigest()
    known = session.exec(select(Document).where(Document.sha256 == digest)).first()
    if known is not None:
        return known
    document = Document(
        sha256=digest, name=name, source=source, lab=lab, content=content, received_at=now
    )
    session.add(document)
    session.flush()
    return document


def close_document(
    session: Session,
    document: Document,
    *,
    now: datetime,
    refusal: str = "",
    rejections: Iterable[Rejection] = (),
    notes: Iterable[Note] = (),
) -> None:
    """Record how reading went; a second reading replaces what the first one said."""
    assert document.id is not None
    document.read_at = now
    document.refusal = refusal
    session.add(document)
    session.exec(delete(RejectedRow).where(col(RejectedRow.document_id) == document.id))
    session.exec(delete(DocumentNote).where(col(DocumentNote.document_id) == document.id))
    for rejection in rejections:
        session.add(
            RejectedRow(
                document_id=document.id,
                row=rejection.row,
                column=rejection.column,
                reason=rejection.reason,
                raw=rejection.raw,
            )
        )
    session.flush()
    add_notes(session, document.id, notes)


def add_notes(session: Session, document_id: int, notes: Iterable[Note]) -> None:
    """Keep what is to be said of a document's rows; what was said already is not repeated."""
    known = session.exec(select(DocumentNote).where(DocumentNote.document_id == document_id))
    said = {(note.row, note.column, note.text) for note in known}
    for note in notes:
        if (note.row, note.column, note.text) not in said:
            said.add((note.row, note.column, note.text))
            session.add(
                DocumentNote(
                    document_id=document_id, row=note.row, column=note.column, text=note.text
                )
            )


def unread_documents(session: Session) -> list[Document]:
    """Documents that were stored but never read to the end: a crash came between."""
    found = session.exec(
        select(Document).where(col(Document.read_at).is_(None)).order_by(col(Document.id))
    )
    return list(found)


def rejected_rows(session: Session) -> list[tuple[Document, RejectedRow]]:
    """Every row that still waits to be corrected, newest document first."""
    found = session.exec(
        select(Document, RejectedRow)
        .join(RejectedRow, col(RejectedRow.document_id) == col(Document.id))
        .order_by(col(Document.id).desc(), col(RejectedRow.row))
    )
    return list(found)


def refused_documents(session: Session) -> list[Document]:
    found = session.exec(
        select(Document).where(Document.refusal != "").order_by(col(Document.id).desc())
    )
    return list(found)
