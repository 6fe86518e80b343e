"""A fixed set of points that stands for normal distributions, so that every run tells the same."""

from __future__ import annotations

from functools import lru_cache

from scipy.special import ndtri
from scipy.stats import qmc

from alerts.agronomy.scale import Floats

POINTS_LOG2 = 9
"""512 points: quartiles of a date move by less than a tenth of a day with more."""


@lru_cache(maxsize=32)
def normal_points(dimensions: int) -> Floats:
    """Quasi-random standard normal points, shape (512, dimensions); the same at every call.

    A Sobol sequence shifted off the border by half a step and carried through the inverse normal
    distribution.
    """
    points = qmc.Sobol(dimensions, scramble=False).random_base2(POINTS_LOG2)
    normal: Floats = ndtri(points + 0.5 / 2**POINTS_LOG2)
    normal.setflags(write=False)
    return normal
