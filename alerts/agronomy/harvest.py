"""From falling quality to the day to start, for one field and for a farm with one crew.

Days are whole day numbers (``date.toordinal``), read as that day's morning. A harvest of L days
that starts on day S is done on S + L, so with `last load` the crop must still meet its target on
S + L, with `average` its mean over the harvest must.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from alerts.agronomy.projection import Lines
from alerts.agronomy.scale import Floats


def due_order(due_day: ArrayLike) -> NDArray[np.intp]:
    """Order of fields for one crew: the earliest due date first.

    Parameters
    ----------
    due_day : last day by which each field should be done, shape (fields,) [d]; NaN sorts last

    Returns
    -------
    Field numbers in harvest order; equal dates keep their given order.

    Notes
    -----
    Sequencing by due date makes the worst lateness as small as it can be on one machine [1]_
    (cited from memory).

    References
    ----------
    .. [1] Jackson, J.R., 1955, Scheduling a production line to minimize maximum tardiness.

    Examples
    --------
    >>> due_order([140, 137, 150]).tolist()
    [1, 0, 2]
    """
    return np.argsort(np.asarray(due_day, dtype=np.float64), kind="stable")


def chance_start_meets(
    lines: Lines,
    target: ArrayLike,
    order: ArrayLike,
    own_days: ArrayLike,
    start_day: ArrayLike,
    *,
    average: bool,
) -> Floats:
    """Chance that the chosen load meets the target when cutting starts on each given day.

    Parameters
    ----------
    lines : the farm's fields
    target : standing target on the straight scale, shape (fields,)
    order : field numbers in harvest order, shape (fields,)
    own_days : days of harvest each field takes, shape (fields,) [d, >= 0]
    start_day : shape (days,) [day number]
    average : False: the last load of every field must meet the target;
        True: the mean of the whole crop must

    Returns
    -------
    shape (days,) [0 to 1]

    Notes
    -----
    The fields of a farm share the season that moves them, so they are taken to be early or late
    together: the farm misses when its tightest field does (last load), and standard deviations
    add up (average). Neither assumes independent fields, which would call the date too early as
    the number of fields grows.

    Examples
    --------
    >>> from alerts.agronomy.projection import fit_lines
    >>> lines = fit_lines(field=[0], day=[0], value=[34.0], sd=[1.4], visit_sd=0.0,
    ...                   rate=[0.5], rate_sd=[0.1])
    >>> chance = chance_start_meets(lines, [38.0], [0], [2.0], [6.0], average=False)
    >>> round(float(chance[0]), 2)
    0.5
    """
    sequence = np.asarray(order, dtype=np.intp)
    days = np.asarray(own_days, dtype=np.float64)[sequence]
    done = np.cumsum(days)
    start = np.asarray(start_day, dtype=np.float64)
    after = done - days / 2 if average else done
    when = start[None, :] + after[:, None]
    goal = np.asarray(target, dtype=np.float64)
    if not average:
        chance: Floats = lines.pick(sequence).chance_meets(goal[sequence], when).min(axis=0)
        return chance
    ordered = lines.pick(sequence)
    share = (days / days.sum() if days.sum() > 0 else np.full(days.shape, 1 / days.size))[:, None]
    short = (share * (goal[sequence][:, None] - ordered.mean(when))).sum(axis=0)
    whole: Floats = ndtr(short / (share * ordered.sd(when)).sum(axis=0))
    return whole


def once_missed(chance: ArrayLike, now: int) -> Floats:
    """The chance made to fall only, away from the day at position ``now`` on both sides.

    Parameters
    ----------
    chance : chance of meeting the target when starting on each day, shape (days,) [0 to 1]
    now : position of today in ``chance`` [0 to days - 1]

    Returns
    -------
    shape (days,) [0 to 1], nowhere rising

    Notes
    -----
    The uncertain rate of a line fans out in both directions, so taken day by day the chance can
    sink again far back and recover far ahead. A standing crop that meets its target met it on
    every day before, and one that missed it does not come back.

    Examples
    --------
    >>> once_missed([0.6, 0.9, 0.8, 0.3, 0.4], 2).tolist()
    [0.9, 0.9, 0.8, 0.3, 0.3]
    """
    each = np.asarray(chance, dtype=np.float64)
    behind = np.maximum.accumulate(each[now::-1])[::-1]
    ahead = np.minimum.accumulate(each[now:])
    return np.concatenate([behind[:-1], ahead])


def latest_day(chance: ArrayLike, days: ArrayLike, at_least: float) -> int | None:
    """Last day before the chance first drops below ``at_least``.

    Parameters
    ----------
    chance : chance of meeting the target when starting on each day, shape (days,)
    days : consecutive day numbers, rising, shape (days,)
    at_least : [0 to 1]; 0.5 gives the median start date, 0.9 and 0.1 the ends of the 80 % range

    Returns
    -------
    The day number; the day before the first of ``days`` when even that one falls short; None when
    the chance never drops so low within ``days``.

    Examples
    --------
    >>> latest_day([0.9, 0.7, 0.5, 0.3], [10, 11, 12, 13], 0.5)
    12
    """
    # A chance that is 0.5 but for the last bit must count as 0.5: a target met exactly on a
    # morning is met.
    short = np.asarray(chance, dtype=np.float64) < at_least - 1e-9
    if not short.any():
        return None
    return int(np.asarray(days)[int(short.argmax())]) - 1
