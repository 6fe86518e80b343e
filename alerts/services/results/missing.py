"""What a result that was accepted lacks to count for its field."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Protocol

from alerts.domain.records import Index, Method, Note, Result
from alerts.domain.snapshot import REGROWTH_FROM_DAYS, is_too_young
from alerts.store.fields import KnownField

_NEEDS = {
    Index.RFV: "RFV itself, or ADF beside NDF",
    Index.RFQ: "RFQ itself, or NDF with CP, ADF, ether extract, ash and NDFD at 48 h",
    Index.NDF: "NDF",
}


def withdrawn_note(result: Result) -> Note:
    """What to say of a row that repeats a result its sender took back."""
    return Note(
        result.row,
        "",
        "this result was taken back and does not count; put it back if it is right after all",
    )


class Row(Protocol):
    """What of a result decides whether it counts, before it is stored or after."""

    @property
    def row(self) -> int: ...
    @property
    def cutting(self) -> int | None: ...
    @property
    def sampled_on(self) -> date: ...
    @property
    def method(self) -> str: ...
    @property
    def spots(self) -> int: ...


def missing_notes(row: Row, known: KnownField, index: Index) -> Iterator[Note]:
    """Say why ``row`` may not count for ``known``, whose farm has its target in ``index``."""
    if row.cutting is not None and row.cutting != known.cutting:
        yield Note(row.row, "cutting", _other_cutting(row.cutting, known))
    elif is_too_young(known.cut_on, row.sampled_on):
        yield Note(row.row, "sampled_on", _too_young(row, known))
    if row.method == Method.STEM and not row.spots:
        text = "no spot of this reading can be used; measure stems of 16 to 40 in"
        yield Note(row.row, "height_in", text)
    elif getattr(row, index.value) is None:
        yield Note(row.row, "", _without_index(row, known, index))


def _other_cutting(cutting: int, known: KnownField) -> str:
    said = f"it says cutting {cutting} but cutting {known.cutting} of {known.name} is open"
    if cutting < known.cutting:
        return f"{said}; it is kept and counts for nothing that is still to come"
    return f"{said}; it counts once the cut before is recorded with 'cutcall cut'"


def _too_young(row: Row, known: KnownField) -> str:
    assert known.cut_on is not None
    age = (row.sampled_on - known.cut_on).days
    return (
        f"{known.name} was cut on {known.cut_on}, {age} day{'s' if age > 1 else ''} before: this "
        "result is kept and not counted, since what stands then says nothing of the regrowth; "
        f"sample again {REGROWTH_FROM_DAYS} days after the cut, or correct the day if it is wrong"
    )


def _without_index(row: Row, known: KnownField, index: Index) -> str:
    said = f"it gives no {index.label}, in which {known.farm_name} has its target"
    if row.method == Method.STEM:
        return f"{said}; stem readings give RFV and NDF, send a clip to a laboratory too"
    return f"{said}; ask the laboratory for {_NEEDS[index]}"
