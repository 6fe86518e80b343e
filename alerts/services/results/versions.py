"""Which stored result a new row is another version of.

A laboratory's number stands for one sample, or for an order of several; it may be used again next
season. So the versions of one number and season are parted by the field and day they are of.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from functools import cache

from alerts.domain.kept_readings import said, said_of
from alerts.domain.names import name_key
from alerts.domain.records import Method, Result
from alerts.domain.results import Results
from alerts.store.tables import LabResult

Place = int | tuple[str, str]
"""The field, or the names of farm and field while the field is not known."""
Sample = tuple[Place, date]

_COMPARED = ("farm_label", "field_label", "cutting", "method", "sampled_on", "sampled_at")


def identities(found: Results) -> list[str]:
    """What two versions of one result have in common, of each of them."""
    key = cache(name_key)  # a file names each field and laboratory many times
    labs = {lab: key(lab) for lab in set(found.lab)}
    numbers = [number.strip().casefold() for number in found.lab_number]
    return [
        f"lab:{lab}|{number}"
        if lab and number and method is not Method.STEM
        else _identity(found[place], key)
        for place, (lab, number, method) in enumerate(
            zip(map(labs.__getitem__, found.lab), numbers, found.method, strict=True)
        )
    ]


def _identity(result: Result, key: Callable[[str], str]) -> str:
    """The same of a result that has no number of a laboratory that is named.

    A stem reading is that of its field and day, whatever its spots. Without a number two clips of
    one field and morning are two results unless all values agree, since the protocol asks for two
    subsamples a field.
    """
    number = result.lab_number.strip().casefold()
    lab = key(result.lab)
    place = (key(result.farm_label), key(result.field_label))
    day = result.sampled_on.isoformat()
    if result.method is Method.STEM:
        return "|".join(("stem:", *place, day, lab))
    if number:
        return "|".join(("number:", number, *place, day))
    hour = result.sampled_at.isoformat() if result.sampled_at else ""
    values = str(said(result))
    # The brackets stand for the spots that identities held here at first.
    return "row:" + "|".join((*place, day, hour, result.method.value, lab, values, "[]"))


class Versions:
    """The versions of one identity in one season, as rows of one document come in."""

    def __init__(self, stored: Iterable[LabResult], rows: Sequence[LabResult]) -> None:
        """``rows`` are those of the document that bear the identity, in any order."""
        self._coming = {_sample(row) for row in rows}
        self._said: dict[str, LabResult] = {}
        self._valid: dict[Sample, LabResult] = {}
        for row in stored:
            self._keep(row)
        self._unclaimed: dict[Place, list[LabResult]] = defaultdict(list)
        for sample, row in self._valid.items():
            if sample not in self._coming:
                self._unclaimed[sample[0]].append(row)

    def same_as(self, row: LabResult) -> LabResult | None:
        """The version that says the same, so that the row is a repetition."""
        same = self._said.get(_all_said(row))
        if same is not None and same.replaced_by is not None and self._stands_beside(row):
            return None
        return same

    def _stands_beside(self, row: LabResult) -> bool:
        """Whether the document shows that the row and what replaced it are two samples."""
        place = _sample(row)[0]
        others = {sample[0] for sample in self._coming} - {place}
        valid = {sample[0] for sample in self._valid}
        return place not in valid and bool(others & valid)

    def replaced_by(self, row: LabResult) -> LabResult | None:
        """The version that the row corrects; None when it is a sample of its own.

        It is the one of the same field and day; else, when the document holds nothing else of
        the field under this number, the only other one of the field; else the only one at all.
        """
        place, _ = sample = _sample(row)
        if sample in self._valid:
            return self._valid[sample]
        if sum(one[0] == place for one in self._coming) > 1:
            return None
        alike = self._unclaimed.get(place, [])
        if len(alike) == 1:
            return alike[0]
        if len(self._coming) == len(self._valid) == 1:
            [only] = self._valid.values()
            return only
        return None

    def add(self, row: LabResult, replaces: LabResult | None) -> None:
        if replaces is not None:
            self._valid.pop(_sample(replaces), None)
            self._unclaimed.pop(_sample(replaces)[0], None)
        self._said[_all_said(row)] = self._valid[_sample(row)] = row

    def _keep(self, row: LabResult) -> None:
        self._said[_all_said(row)] = row
        if row.replaced_by is None:
            self._valid[_sample(row)] = row


def is_of_another_field(row: LabResult, before: LabResult) -> bool:
    return _sample(row)[0] != _sample(before)[0]


def _sample(row: LabResult) -> Sample:
    names = (name_key(row.farm_label), name_key(row.field_label))
    return (names if row.field_id is None else row.field_id), row.sampled_on


def _all_said(row: LabResult) -> str:
    labels = [str(getattr(row, name)) for name in _COMPARED]
    return json.dumps([labels, said_of(row.readings)], sort_keys=True)
