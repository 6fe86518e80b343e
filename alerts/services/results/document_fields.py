"""The fields that the rows of a document name, and what is said of rows that lead to none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from sqlmodel import Session

from alerts.domain.names import name_key
from alerts.domain.records import Note, Rejection, Result
from alerts.domain.results import Results
from alerts.services.results.bounds import Bounds
from alerts.store import fields
from alerts.store.fields import KnownField, Labels

Names = tuple[str, str]
"""Farm and field as a document writes them."""


@dataclass(slots=True)
class DocumentFields:
    """Finds the field of each row, asking once for each pair of names."""

    session: Session
    bounds: Bounds
    rejected: list[Rejection] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    _leads_to: dict[Names, KnownField | None] = field(default_factory=dict)
    _odd: dict[Names, list[KnownField]] = field(default_factory=dict)

    def of(self, lot: Results) -> tuple[Results, list[KnownField | None]]:
        """The field of each result; what is of closed fields, or not the sender's to tell, goes to
        the rejected rows."""
        named = list(zip(lot.farm_label, lot.field_label, strict=True))
        unknown = set(named).difference(self._leads_to)
        if unknown:
            self._look_up(unknown)
        where = list(map(self._leads_to.__getitem__, named))
        if self._odd.keys().isdisjoint(named):
            return lot, where
        usable = [
            names not in self._odd or self._may_stay(lot[at]) for at, names in enumerate(named)
        ]
        kept = [one for one, stays in zip(where, usable, strict=True) if stays]
        return lot.kept(usable), kept

    def _look_up(self, unknown: set[Names]) -> None:
        known = fields.find_fields(self.session, map(_labels, unknown))
        for names in unknown:
            answering = known.get(_labels(names), [])
            candidates = [one for one in answering if self.bounds.hold(one.farm_id)]
            single = candidates[0] if len(candidates) == 1 else None
            self._leads_to[names] = single
            if candidates:
                plain = single is not None and single.closed_on is None
            else:
                plain = self.bounds.may_wait(names[0])
            if not plain:
                self._odd[names] = candidates

    def _may_stay(self, result: Result) -> bool:
        """Whether a result whose names do not lead to one open field is kept, with a word on it."""
        candidates = self._odd[result.farm_label, result.field_label]
        match candidates:
            case []:
                self.rejected.append(_not_yours(result))
            case [closed]:
                self.rejected.append(_closed(result, closed))
            case _:
                self.notes.append(_ambiguous(result, candidates))
        return len(candidates) > 1


def _labels(names: Names) -> Labels:
    farm, name = names
    return name_key(farm), name_key(name)


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
