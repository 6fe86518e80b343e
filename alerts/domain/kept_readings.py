"""What a result says, in the form in which it is kept: a list of numbers, or spots of stems.

The list has the order of the fields of `Readings`, to which new ones are added at the end only. At
first an object was kept that named each value; such rows are read as before.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from alerts.domain.records import Readings, Result, StemSpot, StemStage
from alerts.domain.results import Results

Kept = Sequence[float | None] | Mapping[str, Any]


def all_kept(results: Results) -> list[Kept]:
    """What each result says, as it is kept."""
    found: list[Kept] = list(zip(*results.readings, strict=True))
    for place, spots in enumerate(results.spots):
        if spots:
            found[place] = said(results[place])
    return found


def said(result: Result) -> dict[str, object]:
    """What a result says by name, without what it does not say."""
    named = _named(result.readings)
    if result.spots:
        named["spots"] = [[spot.height_in, spot.stage.value] for spot in result.spots]
    return named


def said_of(kept: Kept) -> dict[str, object]:
    """`said` of a result that is kept."""
    return dict(kept) if isinstance(kept, Mapping) else _named(kept)


def readings_of(kept: Kept) -> tuple[Readings, tuple[StemSpot, ...]]:
    """The readings and the spots of a result that is kept."""
    values = said_of(kept)
    spots: Any = values.pop("spots", ())
    readings: Any = values
    return Readings(**readings), tuple(StemSpot(height, StemStage(at)) for height, at in spots)


def _named(readings: Sequence[float | None]) -> dict[str, object]:
    # A list that was kept before a field was added is shorter.
    pairs = zip(Readings._fields, readings, strict=False)
    return {name: value for name, value in pairs if value is not None}
