"""Standing quality of fields whose lines are known loosely, on a clock known loosely.

A field's value at a clock is level + rate * (since + off * w): level and rate are normal, w is a
standard normal number of the coming weather, independent of them. Mean and variance are exact; so
is the third moment, by which the product of rate and weather leans, and it is put into quantiles by
its first step (Cornish, E.A., Fisher, R.A., 1938, Moments and cumulants in the specification of
distributions; from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alerts.agronomy.leaning import MOST_LEAN, upright

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines of fields; arrays of any one shape.

    level : mean at c0 [scale units]
    rate : mean [scale units an ordinary day]
    level_var, both_cov, rate_var : their covariance
    """

    level: Floats
    rate: Floats
    level_var: Floats
    both_cov: Floats
    rate_var: Floats

    def __getitem__(self, chosen: slice | Ints) -> Lines:
        return self._each(lambda part: part[chosen])

    def reshape(self, *shape: int) -> Lines:
        return self._each(lambda part: part.reshape(shape))

    def transposed(self) -> Lines:
        return self._each(lambda part: np.ascontiguousarray(part.T))

    def _each(self, change: Callable[[Floats], Floats]) -> Lines:
        parts = self.level, self.rate, self.level_var, self.both_cov, self.rate_var
        return Lines(*(change(part) for part in parts))

    def standing(self, since: Floats, off: Floats) -> Standing:
        """At clock c0 + ``since``, which may be off by ``off`` [ordinary days].

        Shapes end with an axis of days that the lines do not have.
        """
        level, rate, level_var, both, rate_var = (
            part[..., None]
            for part in (self.level, self.rate, self.level_var, self.both_cov, self.rate_var)
        )
        turning = both + since * rate_var
        var = level_var + since * (both + turning)
        loose = np.square(off)
        var += loose * (np.square(rate) + rate_var)
        return Standing.of(level + rate * since, var, loose * rate * turning)

    def meeting(self, value: Floats, away: float, loose: Floats, walk: Floats) -> Floats:
        """Clock since c0 at which ``value`` lies ``away`` standard deviations above the mean [0 or
        less: after the mean has met it].

        The clock may be off by ``loose`` [ordinary days], and strays by ``walk`` over a day.
        Leaning, and that the past does not stray, are left out. Infinite where a line is known so
        badly that this never comes. All of one shape.
        """
        # Both sides of value - mean = away * sd squared, a parabola in the clock.
        far, square = value - self.level, away * away
        moves = np.square(self.rate) + self.rate_var
        bend = np.square(self.rate) - square * self.rate_var
        half = self.rate * far + square * (self.both_cov + 0.5 * moves * np.square(walk))
        flat = np.square(far) - square * (self.level_var + moves * np.square(loose))
        root = np.sqrt(np.maximum(half * half - bend * flat, 0.0))
        met = (half - np.copysign(root, away)) / np.where(bend > 0.0, bend, 1.0)
        since: Floats = np.where(bend > 0.0, met, -np.copysign(np.inf, away))
        return since


@dataclass(frozen=True, slots=True)
class Standing:
    """A value: mean, standard deviation, and a sixth of its skewness."""

    mean: Floats
    sd: Floats
    lean: Floats

    @classmethod
    def of(cls, mean: Floats, var: Floats, third: Floats) -> Standing:
        """``third`` is a sixth of the third central moment."""
        sd = np.sqrt(np.maximum(var, 1e-24))
        return cls(mean, sd, np.clip(third / (sd * sd * sd), -MOST_LEAN, MOST_LEAN))

    def away(self, value: ArrayLike) -> Floats:
        """How many standard normal deviations above its middle a value lies."""
        return upright((np.asarray(value, dtype=np.float64) - self.mean) / self.sd, self.lean)

    @property
    def middle(self) -> Floats:
        """Median."""
        return self.mean - self.lean * self.sd


@dataclass(frozen=True, slots=True)
class LineCov:
    """How the lines of n fields of each farm hang together; arrays of shape (n, n, farms).

    level, rate : covariances of the levels, and of the rates
    both : covariance of the level of the first with the rate of the second
    """

    level: Floats
    both: Floats
    rate: Floats

    def __getitem__(self, farms: Ints) -> LineCov:
        return LineCov(self.level[..., farms], self.both[..., farms], self.rate[..., farms])

    def correlation(self, mean_rate: Floats, since: Floats, off: Floats) -> Floats:
        """Of the fields' values, each at a clock of its own but under the same weather.

        ``mean_rate`` of shape (n, farms), ``since`` and ``off`` of (n, farms, days); returns shape
        (n, n, farms, days).
        """
        count = since.shape[0]
        found = np.ones((count, count, *since.shape[1:]))
        moved = off * mean_rate[..., None]
        each = np.arange(count)
        level, both, rate = (
            part[each, each][..., None] for part in (self.level, self.both, self.rate)
        )
        var = level + since * (2.0 * both + since * rate)
        var += np.square(moved) + np.square(off) * rate
        sd = np.sqrt(np.maximum(var, 1e-24))
        # The clock is off for all of them together.
        for one in range(1, count):
            pairs = since[one] * since[:one]
            pairs += off[one] * off[:one]
            pairs *= self.rate[one, :one, :, None]
            pairs += moved[one] * moved[:one]
            pairs += self.level[one, :one, :, None]
            pairs += self.both[one, :one, :, None] * since[:one]
            pairs += self.both[:one, one, :, None] * since[one]
            pairs /= sd[one] * sd[:one]
            found[one, :one] = found[:one, one] = pairs
        return found


def mean_of(
    share: Floats, level: Floats, rate: Floats, cov: LineCov, since: Floats, off: Floats
) -> Standing:
    """The mean of n fields, each at a clock of its own but under the same weather.

    Parameters
    ----------
    share : part that each field gives, shape (n, farms) [sum 1]
    level, rate : shape (n, farms)
    cov : see the class
    since, off : shape (n, farms, days)

    Returns
    -------
    Standing, shape (farms, days)
    """
    turned, moved = share[..., None] * since, share[..., None] * off
    mean = (share * level).sum(axis=0)[:, None] + np.einsum("ifd,if->fd", turned, rate)
    strength = np.einsum("ifd,if->fd", moved, rate)
    both = np.einsum("if,ijf->jf", share, cov.both)[..., None]
    turning = both + np.einsum("ijf,jfd->ifd", cov.rate, turned)
    var = np.einsum("if,jf,ijf->f", share, share, cov.level)[:, None]
    var = var + (turned * (both + turning)).sum(axis=0) + np.square(strength)
    var += (moved * np.einsum("ijf,jfd->ifd", cov.rate, moved)).sum(axis=0)
    return Standing.of(mean, var, strength * (moved * turning).sum(axis=0))
