"""On which day the results of a field show it crossing a target."""

from __future__ import annotations

import numpy as np

from alerts.agronomy.scale import Floats
from alerts.backtest.seasons import Season
from alerts.domain.records import Index


def seen_crossings(season: Season, index: Index, target: float) -> Floats:
    """Ordinal day, with its fraction, on which each series crosses ``target``.

    NaN for a series that does not: always short of it, or past it from its first result on.

    Notes
    -----
    Between the last result that meets the target and the first that misses it, by a straight line.
    Where results go up and down around the target, the nearest curve that never turns back takes
    their place (isotonic regression), so that one odd late result does not put the crossing off.
    """
    crossing = np.full(len(season.series), np.nan)
    values = season.values[index]
    for series in range(crossing.size):
        chosen = (season.field == series) & ~np.isnan(values)
        if chosen.any():
            crossing[series] = _crossing(
                season.day[chosen].astype(np.float64), values[chosen], target, falls=index.falls
            )
    return crossing


def _crossing(day: Floats, value: Floats, target: float, *, falls: bool) -> float:
    # scipy.optimize takes long to load and is needed only where a target is given.
    from scipy.optimize import isotonic_regression

    days, place, count = np.unique(day, return_inverse=True, return_counts=True)
    mean = np.bincount(place, weights=value) / count
    curve = isotonic_regression(mean, weights=count, increasing=not falls).x
    short = curve >= target if falls else curve <= target
    if not short[0] or short[-1]:
        return np.nan
    last = int(np.flatnonzero(short)[-1])
    share = (target - curve[last]) / (curve[last + 1] - curve[last])
    return float(days[last] + share * (days[last + 1] - days[last]))
