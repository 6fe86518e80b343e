"""Words for those who sample: a clip is due, or a watched field has gone silent."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, time

from alerts.domain.outlook import FarmOutlook, FieldOutlook
from alerts.messages import wording
from alerts.messages.segments import clean
from alerts.messages.start_messages import Letter, fit
from alerts.messages.templates import Templates


def no_results(
    templates: Templates,
    language: str,
    outlook: FarmOutlook,
    fields: Sequence[FieldOutlook],
    today: date,
    mark: str,
) -> Letter:
    """A watched field's last result is old and its start date near."""
    oldest = min(f.last_on for f in fields if f.last_on is not None)
    text = templates.fill(
        "no_results.txt",
        language,
        {
            "farm": outlook.farm.name,
            "field": _listed([f.name for f in fields], 4),
            "last_on": wording.short_day(oldest),
            "range": wording.start_range(outlook.start, today),
        },
    )
    return Letter(
        subject=f"{outlook.farm.name}: no new result, start date near",
        text=clean(f"{' '.join(text.split())} {mark}"),
    )


def sample_due(
    templates: Templates,
    language: str,
    fields_by_farm: Sequence[tuple[str, Sequence[str]]],
    day: date,
    before: time,
    mark: str,
) -> Letter:
    """The evening before a sampling day: which fields to clip."""
    versions = []
    for most in (40, 12, 6):
        listed = "; ".join(f"{farm} {_listed(names, most)}" for farm, names in fields_by_farm)
        text = templates.fill(
            "sample_due.txt",
            language,
            {"day": wording.full_day(day), "before": wording.clock(before), "fields": listed},
        )
        versions.append(clean(f"{' '.join(text.split())} {mark}"))
    count = sum(len(names) for _, names in fields_by_farm)
    return Letter(
        subject=f"Clip {count} field{'' if count == 1 else 's'} on {wording.full_day(day)}",
        text=fit(versions),
    )


def _listed(names: Sequence[str], most: int) -> str:
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"
