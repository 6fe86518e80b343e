"""Storing what a document gave: new results, corrections of known ones, and repetitions.

Most rows of most files are new and no version of anything. These are made in columns and stored a
lot at a time; only what shares its identity with another row is looked at one by one, when the
whole document is read.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from itertools import compress
from operator import attrgetter
from typing import Any, NamedTuple

from sqlmodel import Session

from alerts.domain.evidence import IndexColumns, index_columns, is_late_in_day
from alerts.domain.kept_readings import all_kept
from alerts.domain.records import Index, Method, Note, Result
from alerts.domain.results import Results
from alerts.services.results.bounds import Bounds
from alerts.services.results.intake_report import IntakeReport, IntakeRules
from alerts.services.results.missing import missing_notes, withdrawn_note
from alerts.services.results.versions import Versions, identities, is_of_another_field
from alerts.store import fields, results
from alerts.store.fields import KnownField
from alerts.store.tables import Document, LabResult

Columns = dict[str, Sequence[Any]]
"""Of `LabResult`, by name, all equally long."""

_STORED = tuple(
    name for name in LabResult.model_fields if name not in {"id", "replaced_by", "withdrawn_at"}
)


class _Waiting(NamedTuple):
    """A row that shares its identity with another, and its field."""

    row: LabResult
    result: Result
    known: KnownField | None


class _Judged(NamedTuple):
    """What of a row decides whether it counts, see `services.results.missing`."""

    row: int
    cutting: int | None
    sampled_on: date
    method: str
    spots: int
    rfv: float | None
    rfq: float | None
    ndf: float | None


@dataclass(slots=True)
class Additions:
    """Takes the lots of one document and counts in ``report`` what became of their rows.

    ``notes`` are in the order of the rows after `finish`.
    """

    session: Session
    stored: Document
    bounds: Bounds
    rules: IntakeRules
    now: datetime
    report: IntakeReport
    notes: list[Note] = field(default_factory=list)
    _touched: set[int] = field(default_factory=set)
    _indexes: dict[int, Index] = field(default_factory=dict)  # of each farm's target
    _added: set[str] = field(default_factory=set)  # identities of which this document is the first
    _waiting: list[_Waiting] = field(default_factory=list)

    def add(self, lot: Results, where: Sequence[KnownField | None]) -> None:
        """Store what is new of a lot; ``where`` is the field of each result, where it is known."""
        grass_pct = [known.grass_pct if known else None for known in where]
        values = index_columns(lot, grass_pct, self.rules.guidelines)
        self._say_what_is_odd(lot, where, values)
        columns = self._columns(lot, where, values)
        names = columns["identity"]
        first = self._first_of_their_identity(names)
        if not all(first):
            self._waiting.extend(
                _Waiting(_row(columns, place), lot[place], where[place])
                for place, is_first in enumerate(first)
                if not is_first
            )
            columns = {name: list(compress(column, first)) for name, column in columns.items()}
            where = list(compress(where, first))
        results.add_new(self.session, columns)
        unmatched = where.count(None)
        self.report.unmatched += unmatched
        self.report.accepted += len(where) - unmatched
        self._touched.update(known.area_id for known in where if known)

    def finish(self) -> set[int]:
        """Store what repeats or corrects something; returns the areas that the whole concerns.

        What equals any earlier version is a repetition, not a correction: a file may come twice,
        and in any order.
        """
        if self._waiting:
            self._add_versions()
        self.notes.sort(key=attrgetter("row"))
        return self._touched

    def _say_what_is_odd(
        self, lot: Results, where: Sequence[KnownField | None], values: IndexColumns
    ) -> None:
        for noted in values.notes.values():
            self.notes.extend(noted)
        farms = {known.farm_id for known in where if known}
        self._indexes.update(results.target_indexes(self.session, farms - self._indexes.keys()))
        counted = {farm: getattr(values, self._indexes[farm].value) for farm in farms}
        stem = Method.STEM
        for place, (known, cutting, method) in enumerate(
            zip(where, lot.cutting, lot.method, strict=True)
        ):
            # Whatever is not plainly counted; of most rows there is nothing to say.
            if known is not None and (
                known.cut_on is not None
                or cutting not in (None, known.cutting)
                or method is stem
                or counted[known.farm_id][place] is None
            ):
                judged = _judged(lot, values, place)
                self.notes.extend(missing_notes(judged, known, self._indexes[known.farm_id]))

    def _columns(
        self, lot: Results, where: Sequence[KnownField | None], values: IndexColumns
    ) -> Columns:
        before, many = self.rules.sample_before, len(lot)
        late = {at: is_late_in_day(at, before) for at in set(lot.sampled_at)}
        return {
            "identity": identities(lot),
            "version": [1] * many,
            "document_id": [self.stored.id] * many,
            "row": lot.row,
            "farm_label": lot.farm_label,
            "field_label": lot.field_label,
            "field_id": [known.id if known else None for known in where],
            "cutting": lot.cutting,
            "lab": lot.lab,
            "lab_number": lot.lab_number,
            "method": list(map(str.__str__, lot.method)),  # a driver takes longer over an enum
            "sampled_on": lot.sampled_on,
            "sampled_at": lot.sampled_at,
            "late_in_day": list(map(late.__getitem__, lot.sampled_at)),
            "spots": values.spots,
            "readings": all_kept(lot),
            "remark": lot.remark,
            "rfv": values.rfv,
            "rfq": values.rfq,
            "ndf": values.ndf,
            "computed_rfv": values.computed_rfv,
            "computed_rfq": values.computed_rfq,
            "received_at": [self.now] * many,
        }

    def _first_of_their_identity(self, names: Sequence[str]) -> list[bool]:
        """Whether nothing bears the identity yet, neither stored nor before it in the document."""
        seen = results.known_among(self.session, names)
        first = []
        for name in names:
            first.append(name not in seen)
            seen.add(name)
        self._added.update(compress(names, first))
        return first

    def _add_versions(self) -> None:
        rows = [one.row for one in self._waiting]
        earlier = results.versions(self.session, {row.identity for row in rows})
        ours = {name: group[0] for name, group in earlier.items() if name in self._added}
        theirs = {name: group for name, group in earlier.items() if name not in ours}
        within = self.bounds.within(self.session, theirs)
        seasons = _seasons([*ours.values(), *rows], within)
        for row in ours.values():
            seasons[row.identity, row.sampled_on.year].add(row, None)
        fresh: list[LabResult] = []  # in their order, until one needs the id of another
        for row, result, known in self._waiting:
            beside = seasons[row.identity, row.sampled_on.year]
            same = beside.same_as(row)
            if same is not None:
                self.report.repeated += 1
                self.notes.extend(_repetition_notes(result, same))
                continue
            before = beside.replaced_by(row)
            numbered = earlier.setdefault(row.identity, [])
            row.version = len(numbered) + 1
            beside.add(row, before)
            numbered.append(row)
            if before is None:
                fresh.append(row)
            else:
                self._add_fresh(fresh)
                self._replace(before, row)
            if known is not None:
                self._touched.add(known.area_id)
            self._count(row, before)
        self._add_fresh(fresh)

    def _add_fresh(self, rows: list[LabResult]) -> None:
        if rows:
            columns = {name: [getattr(row, name) for row in rows] for name in _STORED}
            results.add_new(self.session, columns)
            rows.clear()

    def _replace(self, before: LabResult, row: LabResult) -> None:
        session = self.session
        results.add_result(session, row, replaces=results.as_stored(session, before))
        before.replaced_by = row.id
        self.notes.extend(_correction_notes(row, before))
        self._touched.update(_areas_before(session, before))

    def _count(self, row: LabResult, before: LabResult | None) -> None:
        if before is not None:
            self.report.corrected += 1
        elif row.field_id is None:
            self.report.unmatched += 1
        else:
            self.report.accepted += 1


def _judged(lot: Results, values: IndexColumns, place: int) -> _Judged:
    return _Judged(
        row=lot.row[place],
        cutting=lot.cutting[place],
        sampled_on=lot.sampled_on[place],
        method=lot.method[place],
        spots=values.spots[place],
        rfv=values.rfv[place],
        rfq=values.rfq[place],
        ndf=values.ndf[place],
    )


def _row(columns: Columns, place: int) -> LabResult:
    return LabResult(**{name: column[place] for name, column in columns.items()})


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


def _areas_before(session: Session, before: LabResult) -> set[int]:
    """The area that loses a result by its correction."""
    if before.field_id is None:
        return set()
    return {fields.get_known(session, before.field_id).area_id}
