"""Where a standing crop is heading: one straight line per field, in closed form.

Each field's line on the straight scale (``alerts.agronomy.scale``) has a level, known only from
the field's own results, and a daily rate that starts from the published rate and is moved by the
results. With one result the published rate decides, which is the rule of thumb; with many, the
results do. Arrays run over fields; nothing loops over them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from alerts.agronomy.scale import Floats

Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Lines:
    """Posterior of one line per field; every array has shape (fields,).

    ``level`` is the value at ``middle`` [day number]; there, level and rate are uncorrelated.
    A field without results has NaN in ``level`` and ``middle``.
    """

    middle: Floats
    level: Floats
    level_var: Floats
    rate: Floats
    rate_var: Floats

    def mean(self, day: ArrayLike) -> Floats:
        """Expected scale value; ``day`` broadcasts against (fields, 1), giving (fields, days)."""
        ahead = self._ahead(day)
        mean: Floats = self.level[:, None] + self.rate[:, None] * ahead
        return mean

    def sd(self, day: ArrayLike) -> Floats:
        """Standard deviation of the scale value, shaped as :meth:`mean`."""
        ahead = self._ahead(day)
        return np.sqrt(self.level_var[:, None] + self.rate_var[:, None] * np.square(ahead))

    def chance_meets(self, target: ArrayLike, day: ArrayLike) -> Floats:
        """Chance that the crop still meets ``target`` (scale value) on each day [0 to 1]."""
        goal = np.asarray(target, dtype=np.float64)
        if goal.ndim == 1:
            goal = goal[:, None]
        chance: Floats = ndtr((goal - self.mean(day)) / self.sd(day))
        return chance

    def pick(self, fields: ArrayLike) -> Lines:
        """The lines of these field numbers, in this order; a number may occur more than once."""
        chosen = np.asarray(fields, dtype=np.intp)
        return Lines(
            middle=self.middle[chosen],
            level=self.level[chosen],
            level_var=self.level_var[chosen],
            rate=self.rate[chosen],
            rate_var=self.rate_var[chosen],
        )

    def _ahead(self, day: ArrayLike) -> Floats:
        ahead: Floats = np.asarray(day, dtype=np.float64) - self.middle[:, None]
        return ahead


def fit_lines(
    *,
    field: ArrayLike,
    day: ArrayLike,
    value: ArrayLike,
    sd: ArrayLike,
    visit_sd: ArrayLike,
    rate: ArrayLike,
    rate_sd: ArrayLike,
) -> Lines:
    """Combine the published daily rate with each field's own results.

    Parameters
    ----------
    field : number of the field each result belongs to, shape (results,) [0 to fields - 1]
    day : day number of sampling, shape (results,) [d]
    value : result on the straight scale, shape (results,)
    sd : standard deviation of each result, shape (results,) [scale units, > 0]
    visit_sd : standard deviation shared by all results of a field on one day [scale units, >= 0],
        shape (fields,) or a scalar
    rate, rate_sd : prior mean and standard deviation of the daily rate, shape (fields,)
        [scale units a day, rate_sd > 0]

    Returns
    -------
    Lines, with the prior rate and NaN levels for fields without results.

    Notes
    -----
    Results of one field and day share what that morning did to all of them, so they are averaged
    first (weights 1/sd**2) and the visit variance is added once:

        w_d = 1 / (visit_sd**2 + 1 / sum(1/sd**2))

    With a flat prior on the level and a normal prior on the rate, weighted least squares has the
    closed form

        middle = sum(w t)/sum(w),  level = sum(w y)/sum(w),  level_var = 1/sum(w)
        rate_var = 1 / (1/rate_sd**2 + S_tt),  rate = rate_var * (rate_0/rate_sd**2 + S_ty)

    (normal conjugate regression; any textbook of Bayesian statistics, from memory).

    Examples
    --------
    One NDF result of 34 and a published rise of 0.5 a day give 36 four days later:

    >>> lines = fit_lines(field=[0], day=[10], value=[34.0], sd=[1.4], visit_sd=1.5,
    ...                   rate=[0.5], rate_sd=[0.1])
    >>> float(lines.mean(14.0)[0, 0])
    36.0
    """
    prior_rate = np.asarray(rate, dtype=np.float64)
    fields = prior_rate.shape[0]
    visit_var = np.broadcast_to(np.square(np.asarray(visit_sd, np.float64)), (fields,))
    who, when, mean, noise_var = _average_same_day(field, day, value, sd)

    weight = 1.0 / (visit_var[who] + noise_var)
    total = _sum_by(who, weight, fields)
    with np.errstate(invalid="ignore", divide="ignore"):
        middle = _sum_by(who, weight * when, fields) / total
        level = _sum_by(who, weight * mean, fields) / total
        level_var = 1.0 / total
    apart = when - middle[who]
    prior_precision = 1.0 / np.square(np.asarray(rate_sd, dtype=np.float64))
    rate_var = 1.0 / (prior_precision + _sum_by(who, weight * apart * apart, fields))
    pull = _sum_by(who, weight * apart * (mean - level[who]), fields)
    return Lines(
        middle=middle,
        level=level,
        level_var=level_var,
        rate=rate_var * (prior_rate * prior_precision + pull),
        rate_var=rate_var,
    )


def _sum_by(group: Ints, weight: Floats, groups: int) -> Floats:
    return np.bincount(group, weights=weight, minlength=groups).astype(np.float64)


def _average_same_day(
    field: ArrayLike, day: ArrayLike, value: ArrayLike, sd: ArrayLike
) -> tuple[Ints, Floats, Floats, Floats]:
    """One row per field and day: field, day, weighted mean, variance of that mean."""
    who = np.asarray(field, dtype=np.intp)
    when = np.asarray(day, dtype=np.float64)
    keys, group = np.unique(np.stack([who.astype(np.float64), when]), axis=1, return_inverse=True)
    group = np.asarray(group, dtype=np.intp).reshape(-1)
    precision = 1.0 / np.square(np.asarray(sd, dtype=np.float64))
    rows = keys.shape[1]
    total = _sum_by(group, precision, rows)
    mean = _sum_by(group, precision * np.asarray(value, dtype=np.float64), rows) / total
    return keys[0].astype(np.intp), keys[1], mean, 1.0 / total
