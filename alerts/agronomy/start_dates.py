"""From the joint posterior of farms' fields to the days to start.

A fixed set of quasi-random points stands for the posterior, so that every run gives the same
dates. For each point the fields' curves are straight lines on the clock; where a line meets the
target, the field is due, and the farm must have started early enough for every load that counts.

Many farms with equally many fields are worked out at once: arrays begin with any number of axes for
them, written ``...`` below, and end with the draws.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

DRAWS_LOG2 = 9
"""512 points: quartiles of a start date move by less than a tenth of a day with more."""

SLOWEST_SHARE = 0.1
"""A crop that would stand still or turn back is taken to mature at a tenth of the usual rate."""


CORRECTIONS = 3
"""Of a day on which a line meets its target, for how far the clock may be off on that day."""


@dataclass(frozen=True, slots=True)
class ClockPath:
    """The area's clock over coming days.

    day : consecutive day numbers, shape (days,)
    since : expected clock of each morning, less c0, rising, shape (days,) [ordinary days]
    sd : how far it may be off, shape (days,) [ordinary days]
    """

    day: Floats
    since: Floats
    sd: Floats

    def spread_at(self, day: Floats) -> Floats:
        """``sd`` between mornings by a straight line, at its ends beyond; any shape."""
        along = np.asarray(day - self.day[0])
        np.clip(along, 0.0, self.day.size - 1.0, out=along)
        before = along.astype(np.intp)
        along -= before
        # Beyond the last morning there is no step, and none is taken.
        along *= np.append(np.diff(self.sd), 0.0).take(before)
        along += self.sd.take(before)
        return along

    def day_at(self, since: Floats) -> Floats:
        """When the expected clock shows ``since``; one ordinary day a day beyond the path."""
        if self._is_calendar():
            return np.asarray(since + (self.day[0] - self.since[0]))
        inside = np.interp(since, self.since, self.day)
        before = np.minimum(since - self.since[0], 0.0)
        after = np.maximum(since - self.since[-1], 0.0)
        day: Floats = inside + before + after
        return day

    def _is_calendar(self) -> bool:
        return bool(np.abs(np.diff(self.since) - 1.0).max(initial=0.0) < 1e-12)


@lru_cache(maxsize=32)
def normal_points(dimensions: int) -> Floats:
    """Quasi-random standard normal points, shape (512, dimensions); the same at every call.

    A Sobol sequence shifted off the border by half a step and carried through the inverse normal
    distribution.
    """
    # scipy.stats takes longer to load than all the rest; nobody waits for it who needs no dates.
    from scipy.stats import qmc

    points = qmc.Sobol(dimensions, scramble=False).random_base2(DRAWS_LOG2)
    normal: Floats = ndtri(points + 0.5 / 2**DRAWS_LOG2)
    normal.setflags(write=False)
    return normal


def draw_lines(mean: ArrayLike, cov: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Points of each farm's joint posterior.

    Parameters
    ----------
    mean, cov : of level and rate share above the prior, ordered level, rate, level, rate, ...,
        shapes (..., 2 n) and (..., 2 n, 2 n)

    Returns
    -------
    Levels and rate shares above the prior, each of shape (..., n, draws), and one more standard
    normal number a draw, shape (draws,), for what is common to all fields, such as the weather.
    """
    centre = np.asarray(mean, dtype=np.float64)
    values, vectors = np.linalg.eigh(np.asarray(cov, dtype=np.float64))
    # Which way a vector points is left open by its definition, and would hang on the last digit.
    lean = np.cos(np.arange(centre.shape[-1]))
    spread = np.sqrt(np.maximum(values, 0.0)) * np.where(lean @ vectors < 0.0, -1.0, 1.0)
    # Largest first: the first dimensions of the sequence are its best.
    root = (vectors * spread[..., None, :])[..., ::-1]
    points = normal_points(centre.shape[-1] + 1)
    drawn = centre[..., None] + root @ np.ascontiguousarray(points[:, 1:].T)
    return drawn[..., 0::2, :], drawn[..., 1::2, :], points[:, 0]


def due_days(
    level: Floats, rate: Floats, target: ArrayLike, weather: Floats, path: ClockPath
) -> Floats:
    """Day on which each field meets its target, for each draw.

    Parameters
    ----------
    level : scale value at c0, shape (..., n, draws)
    rate : scale units an ordinary day, shape (..., n, draws) [> 0]
    target : on the scale, shape (..., n)
    weather : standard normal number of each draw, shape (draws,)
    path : the coming clock

    Returns
    -------
    Day numbers with their fraction, shape (..., n, draws). Days before or after the path are
    reached at one ordinary day a day.

    Notes
    -----
    The clock of a draw is since + sd * weather; it is inverted by correcting the inverse of the
    expected path, which is exact where the spread does not change over a day.
    """
    needed = np.asarray(target, dtype=np.float64)[..., None] - level
    needed /= rate
    day = path.day_at(needed)
    for _ in range(CORRECTIONS):
        day = path.day_at(needed - path.spread_at(day) * weather)
    return day


def last_load_starts(due: Floats, done_after: ArrayLike) -> Floats:
    """Latest start of each draw so that the last load of every field meets its target.

    ``due`` of shape (..., n, draws) [day]; ``done_after`` days from the start until each field is
    done, shape (..., n) [d]. Returns shape (..., draws) [day].
    """
    done = np.asarray(done_after, dtype=np.float64)[..., None]
    starts: Floats = (due - done).min(axis=-2)
    return starts


def average_starts(
    level: Floats,
    rate: Floats,
    target: ArrayLike,
    share: ArrayLike,
    middle_after: ArrayLike,
    weather: Floats,
    path: ClockPath,
) -> Floats:
    """Latest start of each draw so that the average of one farm's crop meets the target.

    Parameters
    ----------
    level, rate, target, weather, path : as for :func:`due_days`, of shapes (n, draws) and (n,)
    share : part of the crop each field gives, shape (n,) [sum 1]
    middle_after : days from the start to the middle of each field's harvest, shape (n,) [d]

    Returns
    -------
    shape (draws,) [day]
    """
    part = np.asarray(share, dtype=np.float64)
    goal = float(part @ np.asarray(target, dtype=np.float64))
    middle = np.asarray(middle_after, dtype=np.float64)
    # The mean quality of the crop rises with the start day; half-day steps and a straight line
    # between them find where it meets the goal.
    start = np.arange(path.day[0], path.day[-1] - middle.max() + 0.5, 0.5)
    when = start[:, None] + middle
    since = np.interp(when, path.day, path.since)
    spread = np.interp(when, path.day, path.sd)
    grown = (part[:, None] * rate).T
    quality = (part @ level)[:, None] + grown @ since.T + grown @ spread.T * weather[:, None]
    quality = np.maximum.accumulate(quality, axis=1)
    return np.array([np.interp(goal, row, start) for row in quality])


def last_load_values(
    level: Floats,
    rate: Floats,
    start: ArrayLike,
    done_after: ArrayLike,
    weather: Floats,
    path: ClockPath,
) -> Floats:
    """Value of the least of the fields' last loads on the day it is cut, for each start.

    Parameters
    ----------
    level, rate, weather, path : as for :func:`due_days`
    start : days to start on, shape (days,) [day]
    done_after : days from the start until each field is done, shape (..., n) [d]

    Returns
    -------
    Scale values, on which the crop rises as it matures, shape (..., days, draws).
    """
    values = _values(level, rate, start, done_after, weather, path, 0)
    for field in range(1, level.shape[-2]):
        other = _values(level, rate, start, done_after, weather, path, field)
        np.maximum(values, other, out=values)
    return values


def average_values(
    level: Floats,
    rate: Floats,
    start: ArrayLike,
    share: ArrayLike,
    middle_after: ArrayLike,
    weather: Floats,
    path: ClockPath,
) -> Floats:
    """Value of the crop's average for each start; see :func:`average_starts` and
    :func:`last_load_values` for what is given and returned."""
    part = np.asarray(share, dtype=np.float64)
    values = np.zeros(0)
    for field in range(level.shape[-2]):
        one = _values(level, rate, start, middle_after, weather, path, field)
        one *= part[..., field, None, None]
        values = one if field == 0 else values + one
    return values


def _values(
    level: Floats,
    rate: Floats,
    start: ArrayLike,
    after: ArrayLike,
    weather: Floats,
    path: ClockPath,
    field: int,
) -> Floats:
    """Values of the field of that number so long after each start, shape (..., days, draws)."""
    when = np.asarray(after, dtype=np.float64)[..., field, None] + np.asarray(start)
    since = np.interp(when, path.day, path.since)
    # In place: the largest arrays of all, and making them takes longer than filling them.
    values: Floats = path.spread_at(when)[..., None] * weather
    values += since[..., None]
    values *= rate[..., field, None, :]
    values += level[..., field, None, :]
    return values


def start_quantiles(starts: Floats, chances: ArrayLike) -> Ints:
    """Days such that the start date lies before them with each of ``chances``.

    A start within a day is that day's, since a morning is either early enough or not. ``starts`` of
    shape (..., draws) gives (..., chances).
    """
    at = np.asarray(chances, dtype=np.float64) * (starts.shape[-1] - 1)
    before = np.floor(at).astype(np.intp)
    after = np.minimum(before + 1, starts.shape[-1] - 1)
    ordered = np.sort(starts, axis=-1)
    low, high = ordered[..., before], ordered[..., after]
    days: Ints = np.floor(low + (at - before) * (high - low) + 1e-9).astype(np.intp)
    return days


def chance_too_late(starts: Floats, days: ArrayLike) -> Floats:
    """Chance that starting on each of ``days`` misses the target [0 to 1].

    ``starts`` of shape (..., draws) and ``days`` of (..., k) give (..., k).
    """
    day = np.asarray(days, dtype=np.float64)[..., None] - 1e-9
    late: Floats = (starts[..., None, :] < day).mean(axis=-1)
    return late


def middle(values: Floats) -> Floats:
    """Median of the draws; shape (..., draws) gives (...). ``values`` are reordered."""
    half = values.shape[-1] // 2
    around = [half - 1, half] if values.shape[-1] % 2 == 0 else [half]
    values.partition(around, axis=-1)
    median: Floats = values[..., around].mean(axis=-1)
    return median
