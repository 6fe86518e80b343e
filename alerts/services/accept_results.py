"""Taking in results: one path for folders, posts and the command line.

A document is stored first, as it came, and read afterwards; a crash in between leaves it stored and
unread, and the next round reads it. Reading is one transaction: every data row ends as a result
(matched or waiting for its field), as a rejected row, or is known already.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, date, datetime, time, tzinfo

from sqlmodel import Session

from alerts.domain.errors import CutcallError, UnreadableDocument
from alerts.domain.evidence import IndexValues, index_values, is_late_in_day
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.names import name_key
from alerts.domain.records import Note, ParsedDocument, Rejection, Result
from alerts.intake.base import RawDocument, ReadingRules, Source
from alerts.intake.labmap import LabMap
from alerts.intake.parse import read_document
from alerts.services.bounds import Bounds, bounds_of
from alerts.services.missing import missing_notes, withdrawn_note
from alerts.services.senders import sender_of
from alerts.services.versions import Versions, identity, is_of_another_field
from alerts.store import areas, documents, fields, results
from alerts.store.fields import KnownField, Labels
from alerts.store.session import Sessions
from alerts.store.tables import Document, LabResult

log = logging.getLogger(__name__)


@dataclass(slots=True)
class IntakeReport:
    """What became of a document's rows; the five counts and lists account for every row."""

    document: str
    accepted: int = 0
    repeated: int = 0
    corrected: int = 0
    unmatched: int = 0
    rejected: list[Rejection] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    refusal: str = ""  # why nothing of the document could be read
    document_id: int | None = None  # under which it is kept; None when it could not be opened


@dataclass(frozen=True, slots=True)
class IntakeRules:
    """What the intake needs to know besides the document."""

    lab_maps: Sequence[LabMap]
    guidelines: GuidelineSet
    season_first_day: date
    sample_before: time
    today: date  # the latest date it is anywhere; a later sampling date is refused
    time_zone: tzinfo = UTC  # of sampling times written in UTC

    def reading_rules(self) -> ReadingRules:
        return ReadingRules(
            today=self.today,
            season_first_day=self.season_first_day,
            limits=self.guidelines.limits(),
            time_zone=self.time_zone,
        )


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
    known = fields.find_fields(session, {labels_of(result) for result in parsed.results})
    bounds = bounds_of(session, stored.source)
    usable, where = _match(parsed.results, known, bounds, report)
    values = index_values(usable, [f.grass_pct if f else None for f in where], rules.guidelines)
    touched = _store(session, stored, usable, where, values, bounds, rules, now, report)
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
    for result in found:
        candidates = [one for one in known.get(labels_of(result), []) if bounds.hold(one.farm_id)]
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


def _store(
    session: Session,
    stored: Document,
    found: Sequence[Result],
    where: Sequence[KnownField | None],
    values: Sequence[IndexValues],
    bounds: Bounds,
    rules: IntakeRules,
    now: datetime,
    report: IntakeReport,
) -> set[int]:
    """Add new and corrected results; returns the areas they concern.

    What equals any earlier version is a repetition, not a correction: a file may come twice, and
    in any order.
    """
    names = [identity(result, _readings(result)) for result in found]
    rows = [
        _row(stored, name, result, known, value, rules, now)
        for name, result, known, value in zip(names, found, where, values, strict=True)
    ]
    earlier = results.versions(session, names)
    seasons = _seasons(rows, bounds.within(session, earlier))
    indexes = results.target_indexes(session, (known.farm_id for known in where if known))
    touched = set()
    for row, result, known, value in zip(rows, found, where, values, strict=True):
        report.notes.extend(value.notes)
        if known is not None:
            report.notes.extend(missing_notes(row, known, indexes[known.farm_id]))
        versions = seasons[row.identity, row.sampled_on.year]
        same = versions.same_as(row)
        if same is not None:
            report.repeated += 1
            if same.replaced_by is not None:
                report.notes.append(_overtaken(result))
            elif same.withdrawn_at is not None:
                report.notes.append(withdrawn_note(result))
            continue
        before = versions.replaced_by(row)
        numbered = earlier.setdefault(row.identity, [])
        row.version = len(numbered) + 1
        results.add_result(session, row, replaces=before)
        versions.add(row, before)
        numbered.append(row)
        _count(report, row, before)
        if before is not None:
            report.notes.extend(_correction_notes(row, before))
        touched.update(_areas_of(session, known, before))
    return touched


def _seasons(
    rows: Sequence[LabResult], earlier: Mapping[str, Sequence[LabResult]]
) -> dict[tuple[str, int], Versions]:
    """The versions of each identity and season; laboratories use a number again next season."""
    coming: dict[tuple[str, int], list[LabResult]] = {}
    for row in rows:
        coming.setdefault((row.identity, row.sampled_on.year), []).append(row)
    return {
        (name, year): Versions(
            [row for row in earlier.get(name, ()) if row.sampled_on.year == year], group
        )
        for (name, year), group in coming.items()
    }


def _correction_notes(row: LabResult, before: LabResult) -> Iterator[Note]:
    """A word where a correction might be another sample instead."""
    whose = f"number {row.lab_number} of {row.lab or 'no laboratory'}"
    if is_of_another_field(row, before):
        text = (
            f"{whose} was {before.field_label} before and is {row.field_label} now: taken as a "
            "correction; if both were sampled, give both rows in one file"
        )
        yield Note(row=row.row, column="lab_number", text=text)
    elif before.document_id == row.document_id and row.lab_number:
        text = (
            f"{whose} stands in row {before.row} too, with the same field and day and other "
            "values: this row counts; if both are samples, leave their number out"
        )
        yield Note(row=row.row, column="lab_number", text=text)


def _overtaken(result: Result) -> Note:
    return Note(
        row=result.row,
        column="lab_number",
        text=(
            f"{result.lab} corrected its number {result.lab_number} since; the correction stays, "
            "ask the laboratory for a new file if this row is right after all"
        ),
    )


def _count(report: IntakeReport, row: LabResult, before: LabResult | None) -> None:
    if before is not None:
        report.corrected += 1
    elif row.field_id is None:
        report.unmatched += 1
    else:
        report.accepted += 1


def _areas_of(session: Session, known: KnownField | None, before: LabResult | None) -> set[int]:
    touched = {known.area_id} if known is not None else set()
    if before is not None and before.field_id is not None:
        touched.add(fields.get_known(session, before.field_id).area_id)
    return touched


def _readings(result: Result) -> dict[str, object]:
    said: dict[str, object] = {k: v for k, v in asdict(result.readings).items() if v is not None}
    if result.spots:
        said["spots"] = [[spot.height_in, spot.stage.value] for spot in result.spots]
    return said


def _row(
    stored: Document,
    name: str,
    result: Result,
    known: KnownField | None,
    value: IndexValues,
    rules: IntakeRules,
    now: datetime,
) -> LabResult:
    assert stored.id is not None
    return LabResult(
        identity=name,
        document_id=stored.id,
        row=result.row,
        farm_label=result.farm_label,
        field_label=result.field_label,
        field_id=known.id if known else None,
        cutting=result.cutting,
        lab=result.lab,
        lab_number=result.lab_number,
        method=result.method.value,
        sampled_on=result.sampled_on,
        sampled_at=result.sampled_at,
        late_in_day=is_late_in_day(result.sampled_at, rules.sample_before),
        spots=value.spots,
        readings=_readings(result),
        remark=result.remark,
        rfv=value.rfv,
        rfq=value.rfq,
        ndf=value.ndf,
        computed_rfv=value.computed_rfv,
        computed_rfq=value.computed_rfq,
        received_at=now,
    )
