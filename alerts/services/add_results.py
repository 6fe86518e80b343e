"""Storing what a document gave: new results, corrections of known ones, and repetitions.

Most rows of most files are new and no version of anything. These are made in columns and stored
together; only what shares its identity with another row is looked at one by one.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from itertools import repeat

from sqlmodel import Session

from alerts.domain.evidence import IndexValues, is_late_in_day
from alerts.domain.records import Method, Note, Readings, Result, StemSpot
from alerts.services.bounds import Bounds
from alerts.services.intake_report import IntakeReport, IntakeRules
from alerts.services.missing import may_not_count, missing_notes, withdrawn_note
from alerts.services.versions import (
    Versions,
    identities,
    is_of_another_field,
    readings_as_json,
    spots_as_json,
)
from alerts.store import fields, results
from alerts.store.fields import KnownField
from alerts.store.results import NewResult
from alerts.store.tables import Document, LabResult

_METHODS = {method: method.value for method in Method}


def add_results(
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
    names = identities(found)
    earlier = results.versions(session, names)
    often = Counter(names)
    news = _new_rows(stored, names, found, where, values, rules, now)
    versions = {
        place: _row(new, found[place])
        for place, new in enumerate(news)
        if often[new.identity] > 1 or new.identity in earlier
    }
    seasons = _seasons(list(versions.values()), bounds.within(session, earlier))
    indexes = results.target_indexes(session, {known.farm_id for known in where if known})
    touched: set[int] = set()
    waiting: list[NewResult] = []  # in their order, until one needs the id of another
    for place, (new, known, value) in enumerate(zip(news, where, values, strict=True)):
        if value.notes:
            report.notes.extend(value.notes)
        if known is not None:
            index = indexes[known.farm_id]
            if may_not_count(new, known, index):
                report.notes.extend(missing_notes(new, known, index))
        before = None
        if place in versions:
            row = versions[place]
            beside = seasons[row.identity, row.sampled_on.year]
            same = beside.same_as(row)
            if same is not None:
                report.repeated += 1
                report.notes.extend(_repetition_notes(found[place], same))
                continue
            before = beside.replaced_by(row)
            numbered = earlier.setdefault(row.identity, [])
            row.version = len(numbered) + 1
            beside.add(row, before)
            numbered.append(row)
            new = new._replace(version=row.version)
        if before is None:
            waiting.append(new)
        else:
            results.add_new(session, waiting)
            waiting.clear()
            results.add_result(session, row, replaces=results.as_stored(session, before))
            before.replaced_by = row.id
            report.notes.extend(_correction_notes(row, before))
            touched.update(_areas_before(session, before))
        if known is not None:
            touched.add(known.area_id)
        _count(report, new, before)
    results.add_new(session, waiting)
    return touched


def _repetition_notes(result: Result, same: LabResult) -> Iterator[Note]:
    """A word where what the row repeats does not count."""
    if same.replaced_by is not None:
        yield _overtaken(result)
    elif same.withdrawn_at is not None:
        yield withdrawn_note(result)


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


def _count(report: IntakeReport, new: NewResult, before: LabResult | None) -> None:
    if before is not None:
        report.corrected += 1
    elif new.field_id is None:
        report.unmatched += 1
    else:
        report.accepted += 1


def _areas_before(session: Session, before: LabResult) -> set[int]:
    """The area that loses a result by its correction."""
    if before.field_id is None:
        return set()
    return {fields.get_known(session, before.field_id).area_id}


def _new_rows(
    stored: Document,
    names: Sequence[str],
    found: Sequence[Result],
    where: Sequence[KnownField | None],
    values: Sequence[IndexValues],
    rules: IntakeRules,
    now: datetime,
) -> list[NewResult]:
    """What each result becomes in the table unless it is a version of another."""
    assert stored.id is not None
    if not found:
        return []
    said = dict(zip(Result._fields, zip(*found, strict=True), strict=True))
    given = dict(zip(IndexValues._fields, zip(*values, strict=True), strict=True))
    late = {at: is_late_in_day(at, rules.sample_before) for at in set(said["sampled_at"])}
    columns = (
        names,
        repeat(stored.id),
        said["row"],
        said["farm_label"],
        said["field_label"],
        [known.id if known else None for known in where],
        said["cutting"],
        said["lab"],
        said["lab_number"],
        map(_METHODS.__getitem__, said["method"]),
        said["sampled_on"],
        said["sampled_at"],
        map(late.__getitem__, said["sampled_at"]),
        given["spots"],
        _as_json(said["readings"], said["spots"]),
        said["remark"],
        *(given[name] for name in ("rfv", "rfq", "ndf", "computed_rfv", "computed_rfq")),
        repeat(now),
        repeat(1),
    )
    return list(map(NewResult._make, zip(*columns, strict=False)))  # some repeat without end


def _as_json(readings: Sequence[Readings], spots: Sequence[tuple[StemSpot, ...]]) -> Iterator[str]:
    """What each result says, as an object; the same number is put into words once."""
    columns = zip(*readings, strict=True)
    parts = [
        {
            value: "" if value is None else f', "{name}": {json.dumps(value)}'
            for value in set(column)
        }
        for name, column in zip(Readings._fields, columns, strict=True)
    ]
    columns = zip(*readings, strict=True)
    worded = [map(part.__getitem__, column) for part, column in zip(parts, columns, strict=True)]
    for row, seen in zip(zip(*worded, strict=True), spots, strict=True):
        text = "".join(row)
        if seen:
            text += f', "spots": {json.dumps(spots_as_json(seen))}'
        yield f"{{{text[2:]}}}"


def _row(new: NewResult, result: Result) -> LabResult:
    return LabResult(**{**new._asdict(), "readings": readings_as_json(result)})
