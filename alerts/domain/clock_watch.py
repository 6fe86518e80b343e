"""Whether the computer's clock can be believed, told from the last instant that could.

A clock that runs a year ahead makes every waiting message too late and opens a season that has not
come; one that lies a year behind takes every sample for one of the future. What is stored by such a
clock outlives it. So a leap of more than a day, in either direction, is believed only once somebody
else says the same time. After a smaller step the work goes on: what was put off by it waits a few
hours at most.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

MOST_GAP = timedelta(days=1)
"""A leap of more than this is doubted. The service may also have stood still for so long: then the
other clock agrees, and nothing is held (our judgement)."""

AGREES_WITHIN = timedelta(hours=1)
"""Two clocks that differ by less than this tell the same day nearly always, and no message is put
off by so little (our judgement)."""

NOTED_FROM = timedelta(minutes=2)
"""A clock set back by less is corrected as clocks are all the time (our judgement)."""


class Leap(StrEnum):
    """What a clock did since the last instant believed."""

    NONE = "none"
    BACK = "set back"  # by up to MOST_GAP
    FAR = "far"  # more than MOST_GAP, in either direction


@dataclass(frozen=True, slots=True)
class ClockDoubt:
    """Why a clock is not believed; ``by`` is positive where it leapt ahead."""

    last: datetime
    now: datetime

    @property
    def by(self) -> timedelta:
        return self.now - self.last

    def __str__(self) -> str:
        way = "later" if self.by > timedelta() else "earlier"
        days = abs(self.by) / timedelta(days=1)
        return f"the clock shows a time {days:.1f} days {way} than when it was last believed"


def leap(now: datetime, last: datetime | None) -> Leap:
    """What the clock did between ``last``, the newest instant believed, and ``now``.

    Both aware; a service that never ran has no ``last``, and believes its clock.

    Examples
    --------
    >>> noon = datetime.fromisoformat("2027-05-10T12:00:00+00:00")
    >>> [leap(noon + timedelta(hours=h), noon).value for h in (20, 30, -2, -30)]
    ['none', 'far', 'set back', 'far']
    """
    if last is None:
        return Leap.NONE
    if abs(now - last) > MOST_GAP:
        return Leap.FAR
    return Leap.BACK if last - now > NOTED_FROM else Leap.NONE


def agrees(now: datetime, there: datetime) -> bool:
    """Whether another clock tells about the same time."""
    return abs(now - there) <= AGREES_WITHIN
