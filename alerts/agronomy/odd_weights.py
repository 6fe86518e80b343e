"""Which results, fields, days and springs are odd, and how little they then count.

A published spread is that of sound things. Now and then a bag is mislabeled, a field is of another
crop than its roster says, a batch is spoiled, a spring runs twice as fast. So each is taken to come
from one of two normal distributions, nearly always the published one, else one several times as
wide; which of the two is found from what everything else says of it. Nothing is dropped, and a
result that nothing contradicts counts in full.

A result far from its neighbors may be odd itself or come from an odd field or day; a field may be
odd or only its results. Each judgement therefore leaves room for the other explanation: results are
held against a fit with the published spreads and one in which fields, days and springs go their own
ways, and those in turn against results that may all be odd. One result alone cannot tell the two
apart and is met half way; several that agree speak for their field.

A day with one result is another matter: nothing ever tells its shift from that result's error. Were
both met half way, neither would be doubted enough, though one of them must be odd, and the line
would give way instead. So the two are judged as one thing and share one weight.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from alerts.agronomy.area_equations import AreaEquations, Solved, Weights
from alerts.agronomy.area_parts import LEVEL, OWN, RATE, AreaPosterior, Floats, Ints
from alerts.agronomy.unit_batches import inverses

ODD_SHARE, ODD_FACTOR = 0.05, 5.0
"""Share of things that are odd, and how many times the usual spread theirs is (our judgement)."""

UNLIKE = (1.0, 2.0, 4.0)
"""How many times less alike than published the fields of an area may be, each as likely until
their results tell (our judgement): an area may hold one farm's like fields or whatever a
spreadsheet called by one name."""

RESULT_PASSES = 3
"""Later passes take back what an odd result did to its neighbors in the first; an even number of
them would leave off where they swing too far (back-test with 5 % odd results)."""

LEAST_WEIGHT = 1.0 / ODD_FACTOR**2
"""Of a thing that is odd beyond doubt."""

LEAST_SHARE = 1e-6
"""Information below this share of what was there before is none."""


def solve_robustly(equations: AreaEquations) -> AreaPosterior:
    """Posterior with odd results, fields, days and springs given less weight."""
    weights = equations.full_weights()
    for _ in range(RESULT_PASSES):
        weights = _result_weights(equations, weights)
    weights = _prior_weights(equations, equations.solve(weights), weights)
    return equations.posterior(equations.solve(weights), weights)


def odd_weight(log_sound: Floats, log_odd: Floats) -> Floats:
    """Weight of a thing from how likely what is seen is, were it sound or odd.

    Parameters
    ----------
    log_sound, log_odd : logarithms of the two densities, a common constant apart

    Returns
    -------
    [1 / ODD_FACTOR**2 to 1], 1 = in full

    Notes
    -----
    p + (1 - p) / k**2, p the chance that the thing is sound and k ODD_FACTOR: the precision it
    keeps on average; over its value where both are equally likely, and at most 1. The step of the
    EM algorithm for a mixture of two normal distributions, from memory.

    Examples
    --------
    So many standard deviations off, by distances that are known:

    >>> off = np.array([0.0, 2.0, 3.0, 5.0])
    >>> odd_weight(log_normal(off, 1.0), log_normal(off, 25.0)).round(2).tolist()
    [1.0, 0.98, 0.6, 0.04]
    """
    # Far out the exponential would overflow; from there on the weight no longer changes.
    likelier = np.exp(np.clip(log_odd - log_sound, -500.0, 500.0))
    sound = 1.0 / (1.0 + likelier * ODD_SHARE / (1.0 - ODD_SHARE))
    neutral = 1.0 - ODD_SHARE + ODD_SHARE * LEAST_WEIGHT
    weight: Floats = np.minimum((sound + (1.0 - sound) * LEAST_WEIGHT) / neutral, 1.0)
    return weight


def log_normal(away: Floats, var: Floats | float) -> Floats:
    """Logarithm of the normal density with mean 0, but for its constant."""
    density: Floats = -0.5 * (np.square(away) / var + np.log(var))
    return density


def _either(one: Floats, other: Floats, share: Floats | float) -> Floats:
    """Log density where ``other`` holds with the chance ``share``."""
    chance = np.maximum(share, np.finfo(np.float64).tiny)
    one, other = np.log1p(-chance) + one, np.log(chance) + other
    # numpy.logaddexp, in steps that numpy takes several numbers at a time for.
    mixed: Floats = np.maximum(one, other) + np.log(1.0 + np.exp(-np.abs(one - other)))
    return mixed


# ---------------------------------------------------------------------- results


def _result_weights(equations: AreaEquations, weights: Weights) -> Weights:
    """Weights of results, and of days with one, from each result's distance to all the others."""
    day, lone_day = equations.day_at, _by_day(equations) == 1
    lone = lone_day.take(day)
    loosened = replace(
        weights,
        field=weights.field * LEAST_WEIGHT,
        area_rate=weights.area_rate * LEAST_WEIGHT,
        visit=np.where(lone_day, weights.visit, weights.visit * LEAST_WEIGHT),
    )
    close, loose = (
        _without_itself(equations, equations.solve(each), each) for each in (weights, loosened)
    )
    (away, near), (far_away, far) = close, loose
    var = equations.error_var
    if lone.any():
        # The shift of a lone result's day goes from the fit that judges to the thing judged.
        shift = np.where(lone, equations.visit_var[equations.unit, 0], 0.0)
        counted = shift / weights.visit.take(day)
        near, far = (np.maximum(spread - counted, 0.0) for spread in (near, far))
        var = var + shift
    sound, odd = (
        _either(log_normal(away, v + near), log_normal(far_away, v + far), ODD_SHARE)
        for v in (var, ODD_FACTOR**2 * var)
    )
    result, visit = odd_weight(sound, odd), weights.visit.copy()
    visit.reshape(-1)[day[lone]] = result[lone]
    return replace(weights, result=result, visit=visit)


def _by_day(equations: AreaEquations) -> Ints:
    """Number of results of each unit's sampling days, shape (units, days)."""
    shape = equations.units, equations.days
    return np.bincount(equations.day_at, minlength=shape[0] * shape[1]).reshape(shape)


def _without_itself(
    equations: AreaEquations, solved: Solved, weights: Weights
) -> tuple[Floats, Floats]:
    """Distance of each result from the fit of the others, and that fit's variance."""
    shift, spread = _fitted(equations, solved)
    # Deleting one result moves the fit; residual and variance without it, in closed form.
    free = 1.0 - weights.result / equations.error_var * spread
    away = equations.rest - shift
    untold = free <= LEAST_SHARE
    if untold.any():
        free[untold], away[untold] = 1.0, 0.0
    return away / free, spread / free


def _fitted(equations: AreaEquations, solved: Solved) -> tuple[Floats, Floats]:
    """Mean and variance of what the model says of each result, less its prior curve."""
    field, unit, x = equations.results.field, equations.unit, equations.slope
    hung = equations.batches.times(solved.load, solved.unit_cov)
    level, rate = hung[LEVEL].take(equations.field_at), hung[RATE].take(equations.field_at)
    mean = solved.mean[RATE].take(field)
    mean *= x
    mean += solved.mean[LEVEL].take(field)
    mean += solved.unit_mean.take(equations.unit_at)
    own, tied, turn = (
        (solved.own_cov[at] + np.einsum("uf,uf->f", hung[i], solved.load[k])).take(field)
        for at, (i, k) in enumerate(((LEVEL, LEVEL), (LEVEL, RATE), (RATE, RATE)))
    )
    # own + 2 level + x (2 (tied + rate) + x turn)
    turn *= x
    tied += rate
    tied *= 2.0
    turn += tied
    turn *= x
    level *= 2.0
    variance: Floats = own
    variance += turn
    variance += level
    variance += np.diagonal(solved.unit_cov, axis1=1, axis2=2).take(equations.unit_at)
    who = equations.foreign
    if who.size:
        of, f, u, x = equations.foreign_at, field[who], unit[who], x[who]
        at = OWN + equations.results.visit[who]
        mean[who] += solved.unit_mean[u, of]
        variance[who] += solved.unit_cov[u, of, of] + 2 * solved.unit_cov[u, at, of]
        variance[who] += 2 * (hung[LEVEL, of, f] + x * hung[RATE, of, f])
    return mean, variance


# ----------------------------------------------------------------------- priors


def _prior_weights(equations: AreaEquations, solved: Solved, weights: Weights) -> Weights:
    """Weights of the priors of fields, days and springs, given those of results and lone days."""
    of_unit = np.bincount(equations.unit, minlength=equations.units)
    of_field = np.bincount(equations.results.field, minlength=equations.count)
    of_day = _by_day(equations)
    own = odd_weight(*_days_own(equations, solved, weights, of_day).densities())
    rate = _Told.of(
        solved.unit_mean[:, RATE],
        solved.unit_cov[:, RATE, RATE],
        1.0 / equations.prior_unit[:, RATE],
        of_unit,
    )
    return replace(
        weights,
        field=_field_weights(equations, _above_area(equations, solved, of_field)),
        visit=np.where(of_day == 1, weights.visit, own),
        area_rate=odd_weight(*rate.densities()),
    )


@dataclass(frozen=True, slots=True)
class _Told:
    """What the results alone say of things whose prior is N(0, prior_var).

    away, var : their estimate and its variance
    all_odd : chance that all results behind it are odd
    """

    away: Floats
    var: Floats
    prior_var: Floats
    all_odd: Floats

    @classmethod
    def of(cls, mean: Floats, var: Floats, prior_var: Floats, results: Ints) -> _Told:
        """From the posterior, by taking the prior out; huge variance where nothing is left."""
        least = LEAST_SHARE / prior_var
        told = np.maximum(1.0 / var - 1.0 / prior_var, least)
        away = np.where(told > least, mean / var / told, 0.0)
        all_odd = np.broadcast_to(np.power(ODD_SHARE, np.maximum(results, 1.0)), away.shape)
        return cls(away, 1.0 / told, prior_var, all_odd)

    def densities(self, scale: float = 1.0) -> tuple[Floats, Floats]:
        """Log densities of each thing, were it sound or odd, with ``scale`` times the spread."""
        return self._density(scale**2), self._density((scale * ODD_FACTOR) ** 2)

    def _density(self, times: float) -> Floats:
        var = times * self.prior_var
        return _either(
            log_normal(self.away, var + self.var),
            log_normal(self.away, var + ODD_FACTOR**2 * self.var),
            self.all_odd,
        )


def _field_weights(equations: AreaEquations, above: _Told) -> Floats:
    """Weights of the fields' priors: an area's fields may all be less alike than published."""
    logs, weights = [], []
    for scale in UNLIKE:
        densities = above.densities(scale)
        logs.append(equations.batches.total(_either(*densities, ODD_SHARE)))
        weights.append(odd_weight(*densities) / scale**2)
    chance = np.exp(np.array(logs) - np.max(logs, axis=0))
    chance = (chance / chance.sum(axis=0))[:, :, equations.fields.unit]
    weight: Floats = (chance * np.array(weights)).sum(axis=0)
    return weight


def _above_area(equations: AreaEquations, solved: Solved, results: Ints) -> _Told:
    """What each field's level and rate are above their area's, shape (2, fields)."""
    load = solved.load.copy()
    for own in (LEVEL, RATE):
        load[own, own] -= 1.0
    hung = equations.batches.times(load, solved.unit_cov)
    var = solved.own_cov[::2] + np.einsum("iuf,iuf->if", hung, load)
    mean = solved.mean - solved.unit_mean.T[:OWN, equations.fields.unit]
    return _Told.of(mean, var, 1.0 / equations.prior_field, results)


def _days_own(equations: AreaEquations, solved: Solved, weights: Weights, results: Ints) -> _Told:
    """What each sampling day had of its own, the straying clock aside."""
    days = slice(OWN, OWN + equations.days)
    day = np.arange(equations.days)
    prior = equations.visit_cov(weights)
    own = np.broadcast_to(equations.visit_var, weights.visit.shape)
    part = own[:, :, None] * inverses(prior)
    known = part @ (prior - solved.unit_cov[:, days, days]) @ part.transpose(0, 2, 1)
    mean = np.einsum("ude,ue->ud", part, solved.unit_mean[:, days])
    return _Told.of(mean, own - known[:, day, day], own, results)
