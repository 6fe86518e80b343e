"""Taking in results: one path for folders, posts and the command line.

A document is stored first, as it came, and read afterwards; a crash in between leaves it stored and
unread, and the next round reads it. Reading is one transaction: every data row ends as a result
(matched or waiting for its field), as a rejected row, or is known already.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session

from alerts.domain.errors import CutcallError, UnreadableDocument
from alerts.domain.evidence import index_values
from alerts.domain.names import name_key
from alerts.domain.records import Note, ParsedDocument, Rejection, Result
from alerts.intake.base import RawDocument, Source
from alerts.intake.parse import read_document
from alerts.services.add_results import add_results
from alerts.services.bounds import Bounds, bounds_of
from alerts.services.intake_report import IntakeReport, IntakeRules
from alerts.services.no_cycles import without_search_for_cycles
from alerts.services.senders import sender_of
from alerts.store import areas, documents, fields
from alerts.store.fields import KnownField, Labels
from alerts.store.session import Sessions
from alerts.store.tables import Document

__all__ = [
    "IntakeReport",
    "IntakeRules",
    "accept",
    "collect",
    "finish_unread",
    "labels_of",
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
        parsed = read_document(document, rules.lab_maps, rules.reading_rules())
    except UnreadableDocument as error:
        report.refusal = str(error)
        with sessions.write() as session:
            documents.close_document(session, stored, now=now, refusal=report.refusal)
        return report
    with sessions.write() as session:
        _take_over(session, stored, parsed, rules, now, report)
    return report


def _take_over(
    session: Session,
    stored: Document,
    parsed: ParsedDocument,
    rules: IntakeRules,
    now: datetime,
    report: IntakeReport,
) -> None:
    report.rejected.extend(parsed.rejections)
    report.notes.extend(parsed.notes)
    named = {(result.farm_label, result.field_label): result for result in parsed.results}
    known = fields.find_fields(session, map(labels_of, named.values()))
    bounds = bounds_of(session, stored.source)
    usable, where = _match(parsed.results, known, bounds, report)
    values = index_values(usable, [f.grass_pct if f else None for f in where], rules.guidelines)
    touched = add_results(session, stored, usable, where, values, bounds, rules, now, report)
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


def labels_of(result: Result) -> Labels:
    return name_key(result.farm_label), name_key(result.field_label)


def _match(
    found: Sequence[Result],
    known: dict[Labels, list[KnownField]],
    bounds: Bounds,
    report: IntakeReport,
) -> tuple[list[Result], list[KnownField | None]]:
    """The field of each result; what is of closed fields, or not the sender's to tell, goes to the
    rejected rows."""
    usable: list[Result] = []
    where: list[KnownField | None] = []
    by_names: dict[tuple[str, str], list[KnownField]] = {}  # as the document writes them
    for result in found:
        names = (result.farm_label, result.field_label)
        candidates = by_names.get(names)
        if candidates is None:
            all_known = known.get(labels_of(result), [])
            candidates = [one for one in all_known if bounds.hold(one.farm_id)]
            by_names[names] = candidates
        if not candidates and not bounds.may_wait(result):
            report.rejected.append(_not_yours(result))
            continue
        single = candidates[0] if len(candidates) == 1 else None
        if single is not None and single.closed_on is not None:
            report.rejected.append(_closed(result, single))
            continue
        if len(candidates) > 1:
            report.notes.append(_ambiguous(result, candidates))
        usable.append(result)
        where.append(single)
    return usable, where


def _not_yours(result: Result) -> Rejection:
    """The same words whether or not the field exists: they must not tell who else is enrolled."""
    named = result.field_label + (f" of {result.farm_label}" if result.farm_label else "")
    return _refused(
        result,
        f"{named} is no field of the farms this token is for; check both names, or ask the "
        "operator to enter you for the farm",
    )


def _closed(result: Result, known: KnownField) -> Rejection:
    return _refused(
        result,
        f"field {known.name} of {known.farm_name} is closed since {known.closed_on}; "
        "enrol it again, or give the name of the field that was sampled",
    )


def _refused(result: Result, reason: str) -> Rejection:
    """A result that was read well, and whose field cannot take it."""
    raw = {"farm": result.farm_label, "field": result.field_label}
    return Rejection(row=result.row, column="field", reason=reason, raw=raw)


def _ambiguous(result: Result, candidates: Sequence[KnownField]) -> Note:
    farms = ", ".join(sorted(f"{c.farm_name} / {c.name}" for c in candidates))
    return Note(
        row=result.row,
        column="field",
        text=f"'{result.field_label}' could be {farms}; it waits until somebody says which",
    )
