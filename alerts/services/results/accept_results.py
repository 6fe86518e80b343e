"""Taking in results: one path for folders, posts and the command line.

A document is stored first, as it came, and read afterwards; a crash in between leaves it stored and
unread, and the next round reads it. Its rows are read before anybody has to wait for the write
lock, and taken in one transaction, a lot at a time: every data row ends as a result (matched or
waiting for its field), as a rejected row, or is known already.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session

from alerts.domain.errors import CutcallError, UnreadableDocument
from alerts.domain.results import Results
from alerts.intake.base import RawDocument, Source
from alerts.intake.parse import OpenDocument, open_document
from alerts.services.access.senders import sender_of
from alerts.services.no_cycles import without_search_for_cycles
from alerts.services.results.add_results import Additions
from alerts.services.results.bounds import bounds_of
from alerts.services.results.document_fields import DocumentFields
from alerts.services.results.intake_report import IntakeReport, IntakeRules
from alerts.store import areas, documents
from alerts.store.session import Sessions
from alerts.store.tables import Document

__all__ = [
    "IntakeReport",
    "IntakeRules",
    "accept",
    "collect",
    "finish_unread",
    "settle",
]

log = logging.getLogger(__name__)


def accept(
    sessions: Sessions, document: RawDocument, rules: IntakeRules, now: datetime
) -> IntakeReport:
    """Store a document and read it. Never raises for what is in it."""
    with sessions.write() as session:
        stored = documents.keep_document(
            session,
            name=document.name,
            source=document.source,
            lab=document.lab,
            content=document.content,
            now=now,
            of_sender=sender_of(document.source) is not None,
        )
    return _read(sessions, stored, document, rules, now)


def collect(
    sessions: Sessions, source: Source, rules: IntakeRules, now: datetime
) -> list[IntakeReport]:
    """Take in every document that waits in ``source``.

    A document that cannot be put aside afterwards (full disk, missing right) stays and is read
    again next time, which changes nothing.
    """
    reports = []
    try:
        for document in source.waiting():
            report = accept(sessions, document, rules, now)
            reports.append(report)
            _put_aside(source, document, report)
    except OSError as error:
        log.warning("the intake folder cannot be read (%s); it is tried again", error)
    return reports


def _put_aside(source: Source, document: RawDocument, report: IntakeReport) -> None:
    try:
        (source.refused if report.refusal else source.done)(document)
    except OSError as error:
        log.warning(
            "%s was read but cannot be put aside (%s); free the disk or mend the folder's rights, "
            "until then it is read again and changes nothing",
            document.name,
            error.strerror or error,
        )


def finish_unread(sessions: Sessions, rules: IntakeRules, now: datetime) -> list[IntakeReport]:
    """Read documents that a crash left stored but unread."""
    with sessions.read() as session:
        unread = documents.unread_documents(session)
    return [
        _read(
            sessions,
            stored,
            RawDocument(stored.name, stored.content, stored.source, stored.lab),
            rules,
            now,
        )
        for stored in unread
    ]


def _read(
    sessions: Sessions, stored: Document, document: RawDocument, rules: IntakeRules, now: datetime
) -> IntakeReport:
    with without_search_for_cycles():
        return _read_rows(sessions, stored, document, rules, now)


def _read_rows(
    sessions: Sessions, stored: Document, document: RawDocument, rules: IntakeRules, now: datetime
) -> IntakeReport:
    report = IntakeReport(document=document.name, document_id=stored.id)
    try:
        opened = open_document(document, rules.lab_maps, rules.reading_rules())
    except UnreadableDocument as error:
        report.refusal = str(error)
        with sessions.write() as session:
            documents.close_document(session, stored, now=now, refusal=report.refusal)
        return report
    lots = list(opened.lots)
    with sessions.write() as session:
        _take_over(session, stored, opened, lots, rules, now, report)
    return report


def _take_over(
    session: Session,
    stored: Document,
    opened: OpenDocument,
    lots: Sequence[Results],
    rules: IntakeRules,
    now: datetime,
    report: IntakeReport,
) -> None:
    bounds = bounds_of(session, stored.source)
    named = DocumentFields(session, bounds)
    additions = Additions(session, stored, bounds, rules, now, report)
    for lot in lots:
        additions.add(*named.of(lot))
    touched = additions.finish()
    report.rejected.extend((*opened.findings.rejections, *named.rejected))
    report.notes.extend((*opened.findings.notes, *named.notes, *additions.notes))
    areas.mark_due(session, touched, now)
    documents.close_document(
        session, stored, now=now, rejections=report.rejected, notes=report.notes
    )
    faults = {(rejection.row, rejection.column) for rejection in report.rejected}
    for earlier in documents.earlier_of_this_name(session, stored):
        documents.settle(session, earlier, f"settled by a newer {stored.name}", faults)


def settle(sessions: Sessions, document_id: int) -> int:
    """Take what waits of a document off the list; CutcallError when there is no such document."""
    with sessions.write() as session:
        document = documents.find_document(session, document_id)
        if document is None:
            raise CutcallError(f"no document {document_id}; 'cutcall rejected' lists their numbers")
        return documents.settle(session, document, "settled by hand")
