"""Words for those who sample: a clip is due, or a watched field has gone silent."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, time

from alerts.domain.outlook import FarmOutlook, FieldOutlook
from alerts.messages.letters import NAME_LENGTHS, Letter, fit
from alerts.messages.segments import clean
from alerts.messages.templates import Templates
from alerts.messages.wording import Wording, one_line, shortened

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
    words = templates.wording(language)
    farm = outlook.farm.name
    newest = max(f.last_on for f in fields if f.last_on is not None)

    def wording_with(most: int, longest: int) -> str:
        values = {
            "farm": shortened(one_line(farm), longest),
            "field": _listed([f.name for f in fields], most, words, longest),
            "last_on": words.short_day(newest),
            "likely": words.likely_start(outlook.start, today),
        }
        return _with_mark(templates.fill("no_results.txt", language, values), mark)

    versions = [wording_with(most, longest) for longest in NAME_LENGTHS for most in (4, 2, 1)]
    return Letter(subject=words.say("headline.no_results", farm=farm), text=fit(versions))


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
    words = templates.wording(language)
    number = sum(len(names) for _, names in fields_by_farm)
    subject = words.say(
        "headline.sample_due", fields=_fields(number, words), day=words.full_day(day)
    )
    values = {"day": words.full_day(day), "before": words.spoken_clock(before)}

    def filled(fields: str) -> str:
        return templates.fill("sample_due.txt", language, {**values, "fields": fields})

    if not by_text:
        lines = "".join(f"\n  {farm}: {', '.join(names)}" for farm, names in fields_by_farm)
        text = "\n".join(line.rstrip() for line in filled(lines).strip().splitlines())
        return Letter(subject=subject, text=f"{text}\n\n{mark}\n")
    versions = [_with_mark(filled(told), mark) for told in _ever_shorter(fields_by_farm, words)]
    return Letter(subject=subject, text=fit(versions))


def _ever_shorter(fields_by_farm: FieldsByFarm, words: Wording) -> Iterator[str]:
    """The fields of a text: all by name, then farms with numbers, then ever fewer farms."""
    most_per_farm = max(len(names) for _, names in fields_by_farm)
    for most in (most_per_farm, 6, 3):
        yield _by_farm(_farm(farm, _listed(names, most, words)) for farm, names in fields_by_farm)
    farms = [_farm(farm, _fields(len(names), words)) for farm, names in fields_by_farm]
    for shown in range(len(farms), 0, -1):
        told = _by_farm(farms[:shown])
        rest = sum(len(names) for _, names in fields_by_farm[shown:])
        yield (
            words.say("lists.more_fields", farms=told, fields=_fields(rest, words))
            if rest
            else told
        )


def _by_farm(farms: Iterable[str]) -> str:
    return "; ".join(farms)


def _farm(name: str, fields: str) -> str:
    return f"{shortened(one_line(name))} ({fields})"


def _fields(number: int, words: Wording) -> str:
    return words.counted("numbers.fields", number)


def _listed(names: Sequence[str], most: int, words: Wording, longest: int = NAME_LENGTHS[0]) -> str:
    return words.listed([shortened(one_line(name), longest) for name in names], most)


def _with_mark(text: str, mark: str) -> str:
    return clean(f"{' '.join(text.split())} {mark}")
