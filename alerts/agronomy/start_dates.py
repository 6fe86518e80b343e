"""From the lines of farms' fields to the days to start.

A load misses its target once the value of its field, on the day it is cut, is above it. The chance
of that rises with the day of the start; the start date is the day on which the load that counts
meets its target, and lies before a day with the chance that starting on that day misses.

A farm's load that counts is the last of each field, so the greatest of several values; or the
average of its crop. Everything is worked out for many farms with n fields each: arrays begin with
the fields and end with farms and days.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from alerts.agronomy.greatest import (
    chance_all_below,
    normal_quantile,
    shared_loadings,
    usual_greatest,
)
from alerts.agronomy.loose_lines import LineCov, Lines, Standing, mean_of

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ahead = Callable[[Floats], tuple[Floats, Floats]]
"""From days, shape (n, farms, days), to the clock since c0 then and how far it may be off."""

Away = Callable[[Floats], Floats]

SLOWEST_SHARE = 0.1
"""A crop that would stand still or turn back is taken to mature at a tenth of the usual rate."""

WEEK = 7
"""Days over which what fields share is followed by a straight line."""

SEARCH_PASSES = 1
"""Of a quantile of a start date, by the secant rule: it is then some hundredths of a day off."""


@dataclass(frozen=True, slots=True)
class Spread:
    """About where days lie; arrays of any one shape.

    middle : the median [day number]
    early, late : standard deviations before and after it [d]
    """

    middle: Floats
    early: Floats
    late: Floats

    def before(self, days: Floats) -> Spread:
        """So many days before."""
        return Spread(self.middle - days, self.early, self.late)


class Loads(Protocol):
    """The loads that count of each farm."""

    def near(self, day: Floats) -> Away:
        """A way from days of the start near these to the standard normal number above which that
        start misses; both of shape (farms, days)."""
        ...

    def seen(self, day: Floats) -> tuple[Floats, Floats]:
        """That number, and the median value of the load that counts [scale units], for consecutive
        days, the same for all farms."""
        ...

    def usual_start(self) -> Spread:
        """About where the start lies, arrays of shape (farms,)."""
        ...


@dataclass(frozen=True, slots=True)
class Harvest:
    """How farms' fields are cut, and what is known of them; arrays of shape (n, farms).

    lines : of the fields
    after : days from the start until the load of each field that counts is cut [d]
    target : on the scale, shape (farms,)
    due : about the day on which each field meets its target
    ahead : the coming clock
    """

    lines: Lines
    after: Floats
    target: Floats
    due: Spread
    ahead: Ahead

    def clock(self, day: Floats) -> tuple[Floats, Floats]:
        """Of each field's load that counts, shape (n, farms, days)."""
        return self.ahead(day + self.after[:, :, None])

    def standing(self, day: Floats) -> Standing:
        """Of each field's load that counts, shape (n, farms, days)."""
        return self.lines.standing(*self.clock(day))


@dataclass(frozen=True, slots=True)
class LoadsTogether:
    """Loads of fields that differ from what is expected all alike: one field, or such as go
    with it."""

    harvest: Harvest

    def near(self, day: Floats) -> Away:
        return lambda then: self.seen(then)[0]

    def seen(self, day: Floats) -> tuple[Floats, Floats]:
        standing = self.harvest.standing(day)
        away = standing.away(self.harvest.target[:, None])
        return away.min(axis=0), standing.middle.max(axis=0)

    def usual_start(self) -> Spread:
        start = self.harvest.due.before(self.harvest.after)
        at = start.middle.argmin(axis=0), np.arange(start.middle.shape[1])
        return Spread(start.middle[at], start.early[at], start.late[at])


@dataclass(frozen=True, slots=True)
class AverageLoads:
    """The average of each farm's crop.

    share : part of the crop that each field gives, shape (n, farms) [sum 1]
    cov : how the fields' lines hang together
    """

    harvest: Harvest
    share: Floats
    cov: LineCov

    def _standing(self, day: Floats) -> Standing:
        lines = self.harvest.lines
        return mean_of(self.share, lines.level, lines.rate, self.cov, *self.harvest.clock(day))

    def near(self, day: Floats) -> Away:
        return lambda then: self.seen(then)[0]

    def seen(self, day: Floats) -> tuple[Floats, Floats]:
        standing = self._standing(day)
        return standing.away(self.harvest.target[:, None]), standing.middle

    def usual_start(self) -> Spread:
        start = self.harvest.due.before(self.harvest.after)
        parts = start.middle, start.early, start.late
        return Spread(*((self.share * part).sum(axis=0) for part in parts))


class LastLoads:
    """The worst of the last loads of each farm's fields.

    follows : fields whose lines are the mean of the others', shape (n, farms); None: none is
    """

    def __init__(self, harvest: Harvest, cov: LineCov, follows: Flags | None = None) -> None:
        self.harvest, self.cov, self.follows = harvest, cov, follows

    def near(self, day: Floats) -> Away:
        # What the fields share changes so slowly that it is that of the days begun with.
        loading, target = self._loading(day), self.harvest.target
        return lambda then: self._away(self.harvest.standing(then), loading, target)

    def _away(self, standing: Standing, loading: Floats, value: Floats) -> Floats:
        """``value`` of shape (farms,) or (farms, days)."""
        wide = value[:, None] if value.ndim == 1 else value
        bound = standing.away(wide)
        shape = bound.shape
        follows = self.follows
        if follows is not None:
            follows = np.broadcast_to(follows[..., None], shape).reshape(shape[0], -1)
        chance = chance_all_below(
            bound.reshape(shape[0], -1), loading.reshape(shape[0], -1), follows
        )
        return normal_quantile(chance).reshape(shape[1:])

    def seen(self, day: Floats) -> tuple[Floats, Floats]:
        standing = self.harvest.standing(day)
        known = _Weekly(day)
        weekly = self._loading(known.day)
        loading = known.between(weekly)
        usual, spread = _shaped(usual_greatest, standing.mean, standing.sd, loading)
        middle = usual + spread * known.between(self._middle_above_usual(known.day, weekly))
        return self._away(standing, loading, self.harvest.target), middle

    def _loading(self, day: Floats) -> Floats:
        """What each field shares with the others, shape (n, farms, days)."""
        correlation = self.cov.correlation(self.harvest.lines.rate, *self.harvest.clock(day))
        if self.follows is not None:
            apart = self.follows[:, None] | self.follows
            correlation *= ~apart[..., None]
        shape = correlation.shape
        return shared_loadings(correlation.reshape(*shape[:2], -1)).reshape(shape[1:])

    def _middle_above_usual(self, day: Floats, loading: Floats) -> Floats:
        """Median less what ``usual_greatest`` gives [its deviations], shape (farms, days)."""
        standing = self.harvest.standing(day)
        usual, spread = _shaped(usual_greatest, standing.mean, standing.sd, loading)
        # The median has half the chance below it: two steps of the secant rule.
        away = self._away(standing, loading, usual)
        away_there = self._away(standing, loading, usual - spread * away)
        moved = away - away_there
        far = np.abs(moved) > 1e-6
        steep = np.where(far, away / np.where(far, moved, 1.0), 1.0)
        above: Floats = -away - away_there * np.clip(steep, 0.3, 3.0)
        return above

    def usual_start(self) -> Spread:
        start = self.harvest.due.before(self.harvest.after)
        loading = self._loading(start.middle.min(axis=0)[:, None])[..., 0]
        latest, early = usual_greatest(-start.middle, start.early, loading)
        # A field of which next to nothing is known says little of how late the farm can wait.
        late = np.minimum(start.late, 2.0 * start.early)
        latest_late, late = usual_greatest(-start.middle, late, loading)
        return Spread(-0.5 * (latest + latest_late), early, late)


class _Weekly:
    """Days a week apart, and what lies between them by straight lines.

    Always the same ones, however many follow, so that no farm's figures hang on what others ask.
    """

    def __init__(self, day: Floats) -> None:
        """``day`` are consecutive, the same for all farms, shape (farms, days)."""
        count = day.shape[1]
        week = np.arange(2 + (count - 2) // WEEK) * float(WEEK)
        self.day = day[:, :1] + week
        along = np.arange(count) / WEEK
        self.before = np.minimum(along.astype(np.intp), week.size - 2)
        self.part = along - self.before

    def between(self, known: Floats) -> Floats:
        """``known`` of shape (..., weeks) gives (..., days)."""
        low = known[..., self.before]
        return np.asarray(low + self.part * (known[..., self.before + 1] - low))


def _shaped(rule: Callable[..., tuple[Floats, Floats]], *parts: Floats) -> tuple[Floats, Floats]:
    """Let a rule for any one axis of cases work on farms and days."""
    shape = parts[0].shape
    one, other = rule(*(part.reshape(shape[0], -1) for part in parts))
    return one.reshape(shape[1:]), other.reshape(shape[1:])


def start_moments(loads: Loads, chances: tuple[float, ...], first: float, last: float) -> Floats:
    """Moments before which the start date lies with each of ``chances``, shape (farms, chances).

    Moments before ``first`` or after ``last`` are given as these [day number].
    """
    wanted = -ndtri(np.array(chances))
    usual = loads.usual_start()
    spread = np.where(wanted > 0.0, usual.early[:, None], usual.late[:, None])
    spread = np.clip(spread, 1e-3, last - first)
    middle = np.clip(usual.middle, first, last)[:, None]
    day = np.clip(middle - wanted * spread, first, last)
    away_of = loads.near(day)
    away, steep = away_of(day), -1.0 / spread
    for _ in range(SEARCH_PASSES):
        nearer = np.clip(day + (wanted - away) / steep, first, last)
        away_there = away_of(nearer)
        moved = nearer - day
        far = np.abs(moved) > 1e-4
        slope = (away_there - away) / np.where(far, moved, 1.0)
        # Where the clock stands still for a while the rule would leap.
        sound = far & (slope < -0.1 / spread) & (slope > -10.0 / spread)
        steep = np.where(sound, slope, steep)
        day, away = nearer, away_there
    day = np.clip(day + (wanted - away) / steep, first, last)
    return np.maximum.accumulate(day, axis=1)


def chance_of_missing(away: Floats) -> Floats:
    """Chance that a start misses, from the number of ``Loads``."""
    chance: Floats = ndtr(-away)
    return chance
