"""Watched fields from which nothing is heard while the start date is near.

Their sampler is told, who can clip again; where a farm has none, its farmer, whose date rests on
old results. The consultant reads of it in the digest, whose list of clips names the day that went
by. A field that nobody has clipped this season is not silent: the list asks for its first clip.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from alerts.domain.clips import missed_sampling_day
from alerts.domain.outlook import FieldOutlook
from alerts.store.people import Recipient
from alerts.store.tables import Farm


def silent_fields(
    stale: Sequence[FieldOutlook],
    today: date,
    weekdays: frozenset[int],
    results_take_days: int,
) -> tuple[FieldOutlook, ...]:
    """Those of the ``stale`` fields that missed a sampling day since their last result.

    ``weekdays`` are the sampling days of the area; in one that samples once a week a result may be
    a week old and nothing is amiss.
    """
    return tuple(
        field
        for field in stale
        if field.last_on is not None
        and missed_sampling_day(field.last_on, today, weekdays, results_take_days) is not None
    )


def told_of_silence(farm: Farm, reach: Mapping[int, Sequence[Recipient]]) -> Sequence[Recipient]:
    """The sampler; the farmer where there is none, or none who may be written to."""
    sampler = reach.get(farm.sampler_id, []) if farm.sampler_id is not None else []
    return sampler or reach.get(farm.farmer_id, [])
