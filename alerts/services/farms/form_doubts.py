"""What in a form about a farm reads well and is hardly meant."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from alerts.domain.records import RosterRow
from alerts.intake.roster_values import zip_place
from alerts.services.farms.area_choice import FARTHEST_MI, AreaPlace, miles_to

AMERICAN_ZONES = "America/"
"""Places of the IANA time zone database from Greenland to Cape Horn, all west of Greenwich but
for the last of the Aleutians."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """What is odd about one column: a sentence without its capital and full stop."""

    column: str
    reason: str
    question: bool = False  # it may be right after all, and somebody may say so


def doubts_of_farm(row: RosterRow) -> Iterator[Doubt]:
    """What is odd about what holds for the whole farm."""
    if row.send_to <= row.send_from:
        reason = f"that is not after {row.send_from:%H:%M}, the first hour; give a later one"
        yield Doubt("send_to", reason)


def doubts_of_field(
    row: RosterRow, today: date | None, areas: Sequence[AreaPlace]
) -> Iterator[Doubt]:
    """What is odd about a field; what needs ``today`` or ``areas`` is left out without them."""
    if today is not None and row.seeding_year is not None and row.seeding_year > today.year:
        reason = f"{row.seeding_year} is still to come; give the year the field was seeded"
        yield Doubt("seeding_year", reason)
    if row.longitude is not None and row.longitude > 0 and row.time_zone.startswith(AMERICAN_ZONES):
        said = f"{row.longitude:.10g}"
        reason = f"{said} lies east of Greenwich; in North America write a minus in front, -{said}"
        yield Doubt("longitude", reason)
    if row.zip and _is_far(row, areas):
        reason = (
            f"{row.zip} is more than {FARTHEST_MI:g} miles from the fields of {row.area}; "
            "correct it or the area, or tick that it is right"
        )
        yield Doubt("zip", reason, question=True)


def _is_far(row: RosterRow, areas: Sequence[AreaPlace]) -> bool:
    """Whether a ZIP code lies where the spring is another than its area's."""
    place = zip_place(row.zip)
    here = (place.latitude, place.longitude)
    far = [miles_to(area, *here) for area in areas if area.name == row.area]
    return any(miles is not None and miles > FARTHEST_MI for miles in far)
