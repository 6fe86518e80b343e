"""From the joint posterior of a farm's fields to the day to start.

A fixed set of quasi-random points stands for the posterior, so that every run gives the same
dates. For each point the fields' curves are straight lines on the clock; where a line meets the
target, the field is due, and the farm must have started early enough for every load that counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import floor

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]

DRAWS_LOG2 = 9
"""512 points: quartiles of a start date move by less than a tenth of a day with more."""

SLOWEST_SHARE = 0.1
"""A crop that would stand still or turn back is taken to mature at a tenth of the usual rate."""


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
    """Points of a farm's joint posterior.

    Parameters
    ----------
    mean, cov : of level and rate share above the prior, ordered level, rate, level, rate, ...,
        shapes (2 n,) and (2 n, 2 n)

    Returns
    -------
    Levels and rate shares above the prior, each of shape (draws, n), and one more standard normal
    number a draw, shape (draws,), for what is common to all fields, such as the weather.
    """
    centre = np.asarray(mean, dtype=np.float64)
    values, vectors = np.linalg.eigh(np.asarray(cov, dtype=np.float64))
    # Largest first: the first dimensions of the sequence are its best.
    order = np.argsort(values)[::-1]
    root = vectors[:, order] * np.sqrt(np.maximum(values[order], 0.0))
    points = normal_points(centre.size + 1)
    drawn = centre + points[:, 1:] @ root.T
    return drawn[:, 0::2], drawn[:, 1::2], points[:, 0]


def due_days(
    level: Floats, rate: Floats, target: ArrayLike, weather: Floats, path: ClockPath
) -> Floats:
    """Day on which each field meets its target, for each draw.

    Parameters
    ----------
    level : scale value at c0, shape (draws, n)
    rate : scale units an ordinary day, shape (draws, n) [> 0]
    target : on the scale, shape (n,)
    weather : standard normal number of each draw, shape (draws,)
    path : the coming clock

    Returns
    -------
    Day numbers with their fraction, shape (draws, n). Days before or after the path are reached
    at one ordinary day a day.

    Notes
    -----
    The clock of a draw is since + sd * weather; it is inverted by one correction to the inverse
    of the expected path, which is exact where the spread does not change over a day.
    """
    needed = (np.asarray(target, dtype=np.float64) - level) / rate
    day = _day_at(needed, path)
    spread = np.interp(day, path.day, path.sd)
    return _day_at(needed - spread * weather[:, None], path)


def _day_at(since: Floats, path: ClockPath) -> Floats:
    inside = np.interp(since, path.since, path.day)
    before = np.minimum(since - path.since[0], 0.0)
    after = np.maximum(since - path.since[-1], 0.0)
    day: Floats = inside + before + after
    return day


def last_load_starts(due: Floats, done_after: ArrayLike) -> Floats:
    """Latest start of each draw so that the last load of every field meets its target.

    ``due`` of shape (draws, n) [day]; ``done_after`` days from the start until each field is done,
    shape (n,) [d]. Returns shape (draws,) [day].
    """
    starts: Floats = (due - np.asarray(done_after, dtype=np.float64)).min(axis=1)
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
    """Latest start of each draw so that the crop's average meets the target.

    Parameters
    ----------
    level, rate, target, weather, path : as for :func:`due_days`
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
    steady = level @ part
    moving = np.einsum("kn,dn->kd", part * rate, since)
    shaken = np.einsum("kn,dn->kd", part * rate, spread) * weather[:, None]
    quality = np.maximum.accumulate(steady[:, None] + moving + shaken, axis=1)
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
    done_after : days from the start until each field is done, shape (n,) [d]

    Returns
    -------
    Scale values, on which the crop rises as it matures, shape (draws, days).
    """
    values: Floats = _values(level, rate, start, done_after, weather, path).max(axis=2)
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
    values: Floats = _values(level, rate, start, middle_after, weather, path) @ part
    return values


def _values(
    level: Floats,
    rate: Floats,
    start: ArrayLike,
    after: ArrayLike,
    weather: Floats,
    path: ClockPath,
) -> Floats:
    """Values of the fields so long after each start, shape (draws, days, n)."""
    when = np.asarray(start, dtype=np.float64)[:, None] + np.asarray(after, dtype=np.float64)
    since = np.interp(when, path.day, path.since)
    spread = np.interp(when, path.day, path.sd)
    clock = since + spread * weather[:, None, None]
    value: Floats = level[:, None, :] + rate[:, None, :] * clock
    return value


def start_quantile(starts: Floats, chance: float) -> int:
    """Day such that the start date lies before it with ``chance``; a start within a day is that
    day's, since a morning is either early enough or not."""
    # numpy.quantile, which looks at its arguments for longer than at so few numbers.
    place = chance * (starts.size - 1)
    below = int(place)
    above = min(below + 1, starts.size - 1)
    ordered = np.partition(starts, (below, above))
    low, high = float(ordered[below]), float(ordered[above])
    return floor(low + (high - low) * (place - below) + 1e-9)


def chance_too_late(starts: Floats, days: ArrayLike) -> Floats:
    """Chance that starting on each of ``days`` misses the target [0 to 1]."""
    late: Floats = (starts[:, None] < np.asarray(days, dtype=np.float64) - 1e-9).mean(axis=0)
    return late
