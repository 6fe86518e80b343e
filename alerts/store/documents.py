"""Documents as they came, with what could not be used of them."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable
from datetime import datetime

import orjson
from sqlalchemy.orm import defer
from sqlmodel import Session, col, delete, or_, select

from alerts.domain.records import Note, Rejection
from alerts.store import bulk
from alerts.store.tables import Document, DocumentNote, RejectedRow

FROM_CONSULTANT = "roster of consultant "
"""How the source of a roster begins that a consultant sent: what is wrong with it is theirs."""

Place = tuple[int, str]
"""Row and column of a fault."""


def keep_document(
    session: Session,
    *,
    name: str,
    source: str,
    lab: str,
    content: bytes,
    now: datetime,
    of_sender: bool = False,
) -> Document:
    """Store a document, or return the one that holds the same bytes already.

    ``of_sender`` keeps what different sources send apart: one may be told what became of a
    document, and bound by it, only where it sent the document itself.
    """
    whose = source.encode() + b"\0" if of_sender else b""
    digest = hashlib.sha256(whose + lab.encode() + b"\0" + content).hexdigest()
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
    refused = list(rejections)
    bulk.insert(
        session,
        RejectedRow,
        {
            "document_id": [document.id] * len(refused),
            "row": [one.row for one in refused],
            "column": [one.column for one in refused],
            "reason": [one.reason for one in refused],
            "raw": [orjson.dumps(one.raw).decode() for one in refused],
        },
    )
    add_notes(session, document.id, notes)


def add_notes(session: Session, document_id: int, notes: Iterable[Note]) -> None:
    """Keep what is to be said of a document's rows; what was said already is not repeated."""
    told = session.exec(
        select(DocumentNote.row, DocumentNote.column, DocumentNote.text).where(
            DocumentNote.document_id == document_id
        )
    )
    known = set(told)
    new = dict.fromkeys((one.row, one.column, one.text) for one in notes)
    fresh = [said for said in new if said not in known]
    columns = zip(*fresh, strict=True) if fresh else ((), (), ())
    bulk.insert(
        session,
        DocumentNote,
        {
            "document_id": [document_id] * len(fresh),
            **dict(zip(("row", "column", "text"), columns, strict=True)),
        },
    )


def unread_documents(session: Session) -> list[Document]:
    """Documents that were stored but never read to the end: a crash came between."""
    found = session.exec(
        select(Document).where(col(Document.read_at).is_(None)).order_by(col(Document.id))
    )
    return list(found)


def settle(session: Session, document: Document, how: str, keep: Collection[Place] = ()) -> int:
    """Take a document off the list of what waits to be corrected; returns how many it held.

    Each rejected row but those at the places in ``keep``, and the refusal of the whole, becomes a
    note that says ``how`` it was settled; the document stays as it came.
    """
    assert document.id is not None
    rows = session.exec(select(RejectedRow).where(RejectedRow.document_id == document.id))
    done = [row for row in rows if (row.row, row.column) not in keep]
    notes = [Note(row.row, row.column, f"{how}: {row.reason}") for row in done]
    for row in done:
        session.delete(row)
    if document.refusal:
        notes.append(Note(0, "", f"{how}: {document.refusal}"))
        document.refusal = ""
        session.add(document)
    add_notes(session, document.id, notes)
    return len(notes)


def earlier_of_this_name(session: Session, document: Document) -> list[Document]:
    """Documents of the same name that came before and of which something waits."""
    waiting = select(RejectedRow.document_id)
    found = session.exec(
        select(Document).where(
            Document.name == document.name,
            col(Document.id) < document.id,
            or_(Document.refusal != "", col(Document.id).in_(waiting)),
        )
    )
    return list(found)


def find_document(session: Session, document_id: int) -> Document | None:
    return session.get(Document, document_id)


def sources(session: Session, document_ids: Iterable[int]) -> dict[int, str]:
    """The source of each document, by id."""
    found = session.exec(
        select(Document.id, Document.source).where(col(Document.id).in_(sorted(set(document_ids))))
    )
    return {document_id: source for document_id, source in found if document_id is not None}


def rows_of(session: Session, document_id: int) -> tuple[list[RejectedRow], list[DocumentNote]]:
    """What of a document waits to be corrected, and what else was said of its rows."""
    rejected = session.exec(
        select(RejectedRow)
        .where(RejectedRow.document_id == document_id)
        .order_by(col(RejectedRow.row), col(RejectedRow.id))
    )
    notes = session.exec(
        select(DocumentNote)
        .where(DocumentNote.document_id == document_id)
        .order_by(col(DocumentNote.row), col(DocumentNote.id))
    )
    return list(rejected), list(notes)


def rejected_rows(session: Session) -> list[tuple[Document, RejectedRow]]:
    """Rows that wait for the operator to correct them, newest document first."""
    found = session.exec(
        select(Document, RejectedRow)
        .join(RejectedRow, col(RejectedRow.document_id) == col(Document.id))
        .where(~col(Document.source).startswith(FROM_CONSULTANT))
        .order_by(col(Document.id).desc(), col(RejectedRow.row))
    )
    return list(found)


def rejected_of(session: Session, source: str) -> list[tuple[Document, RejectedRow]]:
    """What a source sent that still waits to be corrected, newest document first."""
    found = session.exec(
        select(Document, RejectedRow)
        .join(RejectedRow, col(RejectedRow.document_id) == col(Document.id))
        .where(Document.source == source)
        .order_by(col(Document.id).desc(), col(RejectedRow.row))
        .options(defer(Document.content, raiseload=True))  # type: ignore[arg-type]
    )
    return list(found)


def refused_documents(session: Session) -> list[Document]:
    found = session.exec(
        select(Document).where(Document.refusal != "").order_by(col(Document.id).desc())
    )
    return list(found)
