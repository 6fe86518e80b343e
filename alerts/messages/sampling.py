"""Words for those who sample: a clip is due, or a watched field has gone silent."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, time

from alerts.domain.outlook import FarmOutlook, FieldOutlook
from alerts.messages import wording
from alerts.messages.segments import clean
from alerts.messages.start_messages import NAME_LENGTHS, Letter, fit
from alerts.messages.templates import Templates

FieldsByFarm = Sequence[tuple[str, Sequence[str]]]
"""Farms with the names of their fields."""


def no_results(
    templates: Templates,
    language: str,
    outlook: FarmOutlook,
    fields: Sequence[FieldOutlook],
    today: date,
    mark: str,
) -> Letter:
    """Watched fields have been silent since the newest of their results, and the date is near."""
    farm = outlook.farm.name
    newest = max(f.last_on for f in fields if f.last_on is not None)

    def wording_with(most: int, longest: int) -> str:
        values = {
            "farm": wording.shortened(wording.one_line(farm), longest),
            "field": _listed([f.name for f in fields], most, longest),
            "last_on": wording.short_day(newest),
            "likely": wording.likely_start(outlook.start, today),
        }
        return _with_mark(templates.fill("no_results.txt", language, values), mark)

    versions = [wording_with(most, longest) for longest in NAME_LENGTHS for most in (4, 2, 1)]
    return Letter(subject=f"{farm}: no new result, start date near", text=fit(versions))


def sample_due(
    templates: Templates,
    language: str,
    fields_by_farm: FieldsByFarm,
    day: date,
    before: time,
    mark: str,
    *,
    by_text: bool,
) -> Letter:
    """The evening before a sampling day: which fields to clip.

    An email names every field, a farm to a line. A text names what two parts hold, and says how
    many more there are.
    """
    number = sum(len(names) for _, names in fields_by_farm)
    subject = f"Clip {number} field{'' if number == 1 else 's'} on {wording.full_day(day)}"
    values = {"day": wording.full_day(day), "before": wording.clock(before)}

    def filled(fields: str) -> str:
        return templates.fill("sample_due.txt", language, {**values, "fields": fields})

    if not by_text:
        lines = "".join(f"\n  {farm}: {', '.join(names)}" for farm, names in fields_by_farm)
        text = "\n".join(line.rstrip() for line in filled(lines).strip().splitlines())
        return Letter(subject=subject, text=f"{text}\n\n{mark}\n")
    versions = [_with_mark(filled(fields), mark) for fields in _ever_shorter(fields_by_farm)]
    return Letter(subject=subject, text=fit(versions))


def _ever_shorter(fields_by_farm: FieldsByFarm) -> Iterator[str]:
    """The fields of a text: all by name, then farms with numbers, then ever fewer farms."""
    most_per_farm = max(len(names) for _, names in fields_by_farm)
    for most in (most_per_farm, 6, 3):
        yield _by_farm(_farm(farm, _listed(names, most)) for farm, names in fields_by_farm)
    farms = [_farm(farm, _fields(len(names))) for farm, names in fields_by_farm]
    for shown in range(len(farms), 0, -1):
        rest = fields_by_farm[shown:]
        more = f" and {_fields(sum(len(names) for _, names in rest))} more" if rest else ""
        yield f"{_by_farm(farms[:shown])}{more}"


def _by_farm(farms: Iterable[str]) -> str:
    return "; ".join(farms)


def _farm(name: str, fields: str) -> str:
    return f"{wording.shortened(wording.one_line(name))} ({fields})"


def _fields(number: int) -> str:
    return f"{number} field{'' if number == 1 else 's'}"


def _listed(names: Sequence[str], most: int, longest: int = NAME_LENGTHS[0]) -> str:
    shown = ", ".join(wording.shortened(wording.one_line(name), longest) for name in names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"


def _with_mark(text: str, mark: str) -> str:
    return clean(f"{' '.join(text.split())} {mark}")
