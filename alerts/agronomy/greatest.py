"""The greatest of a few normal variables that hang together: how likely it stays below a bound.

Each variable is split into what it shares with the others and what it has for itself,

    x_i = l_i g + sqrt(1 - l_i**2) e_i

with g and all e_i independent standard normal: given g, the variables are independent, and what is
left is one sum over g (Dunnett, C.W., Sobel, M., 1955, Approximations to the probability integral
and certain percentage points of a multivariate analogue of Student's t-distribution; from memory).
Variables that are no more than the mean of others "follow" them.

Arrays begin with the n variables, then any one axis of cases.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from alerts.agronomy.leaning import MOST_LEAN, upright

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

LARGEST_LOADING = 0.95
"""Above it the sum would need more points."""

LOADING_PASSES, OF_FEW, FEW = 6, 12, 4
"""Passes that find what variables share: more where they are few, since then they close in more
slowly; what is left of a correlation is at most some hundredths."""

LOGIT = (1.59543566, 0.0735965173, -0.000631614876)
"""Of x, x**3 and x**5 in ln(p / (1 - p)), p the chance of a standard normal variable below x; our
fit, nowhere more than 2e-5 off."""

FAR = 7.5
"""Beyond so many standard deviations the chance is 0 or 1 [1e-13]."""

CACHED = 16_384
"""Numbers worked on at a time, so that they stay near the processor."""

DENSITY = 1.0 / np.sqrt(2.0 * np.pi)


def _points(step: float, reach: float) -> tuple[Floats, Floats]:
    at = np.arange(-reach, reach + step / 2, step)
    weight = np.exp(-0.5 * np.square(at))
    return at, weight / weight.sum()


COARSE_LOADING = 0.85
COARSE, FINE = _points(0.75, 3.375), _points(0.4, 3.4)
"""Points g at which the sum is taken [standard deviations], and their weights: the more the
variables share, the closer; then the sum is a few ten-thousandths off."""


def shared_loadings(correlation: Floats) -> Floats:
    """Loading of each variable on what all share.

    Parameters
    ----------
    correlation : shape (n, n, cases); 0 with all others for a variable that takes no part

    Returns
    -------
    shape (n, cases) [0 to LARGEST_LOADING]

    Notes
    -----
    Least squares on what is off the diagonal, the principal factor of Harman, H.H., Jones, W.H.,
    1966, Factor analysis by minimizing residuals (from memory), by damped repeated substitution.
    Exact for two variables, and for three where such loadings exist.
    """
    each = np.arange(correlation.shape[0])
    off = correlation.copy()
    off[each, each] = 0.0
    rows = np.maximum(off.sum(axis=1), 0.0)
    count = np.maximum((rows > 0.0).sum(axis=0), 2)
    loading = rows * np.sqrt(count / ((count - 1) * np.maximum(rows.sum(axis=0), 1e-12)))
    passes = LOADING_PASSES if each.size > FEW else OF_FEW
    for _ in range(passes if each.size > 2 else 0):
        square = np.square(loading)
        others = square.sum(axis=0) - square
        better = np.einsum("ijc,jc->ic", off, loading) / np.maximum(others, 1e-12)
        loading = np.clip(0.5 * (loading + better), 0.0, 1.0)
    within: Floats = np.clip(loading, 0.0, LARGEST_LOADING)
    return within


def chance_all_below(bound: Floats, loading: Floats, follows: Flags | None = None) -> Floats:
    """Chance that every variable stays below its bound.

    Parameters
    ----------
    bound : [standard deviations above the mean], shape (n, cases)
    loading : shape (n, cases), see :func:`shared_loadings`
    follows : variables that are the mean of all that do not follow, shape (n, cases)

    Returns
    -------
    shape (cases,) [0 to 1]

    Notes
    -----
    Of those that follow, the one with the least bound decides. Given g and that the others stay
    below, it is taken as nearly normal with the first three moments it then has: the step of
    Mendell, N.R., Elston, R.C., 1974, Multifactorial traits (from memory), and one moment more.
    """
    if bound.shape[0] == 1:
        return np.asarray(ndtr(bound[0]))
    coarse = (loading <= COARSE_LOADING).all(axis=0)
    if coarse.all():
        return _summed(bound, loading, follows, COARSE)
    chance = np.empty(coarse.size)
    for some, points in ((coarse, COARSE), (~coarse, FINE)):
        follow = None if follows is None else follows[:, some]
        chance[some] = _summed(bound[:, some], loading[:, some], follow, points)
    return chance


def _summed(
    bound: Floats, loading: Floats, follows: Flags | None, points: tuple[Floats, Floats]
) -> Floats:
    own = np.sqrt(1.0 - np.square(loading))
    middle, turn = bound / own, loading / own
    at, weight = points
    follower = None
    if follows is not None:
        follower = _Follower.of(bound, loading, own, follows)
        middle[follows], turn[follows] = FAR, 0.0
    chance = np.empty(bound.shape[1])
    at_once = max(1, CACHED // (at.size * bound.shape[0]))
    for first in range(0, chance.size, at_once):
        some = slice(first, first + at_once)
        away = turn[:, None, some] * at[:, None]
        np.subtract(middle[:, None, some], away, out=away)
        each = normal_chance(away)
        product = each[0] * each[1]
        for one in each[2:]:
            product *= one
        if follower is not None:
            product *= follower.chance(away, each, at, some)
        chance[some] = weight @ product
    return chance


class _Follower:
    """The mean of the variables that do not follow: what it shares, and what it has of each."""

    def __init__(self, bound: Floats, loading: Floats, part: Floats) -> None:
        own = np.sqrt(np.square(part).sum(axis=0))
        self.bound, self.loading, self.own = bound, loading, own
        self.part = part / own

    @classmethod
    def of(cls, bound: Floats, loading: Floats, own: Floats, follows: Flags) -> _Follower:
        lead = ~follows
        size = lead.sum(axis=0)
        shared = (loading * lead).sum(axis=0) / size
        part = own * lead / size
        whole = np.sqrt(np.square(shared) + np.square(part).sum(axis=0))
        least = np.where(follows, bound, np.inf).min(axis=0)
        return cls(np.minimum(least, FAR), shared / whole, part / whole)

    def chance(self, away: Floats, below: Floats, at: Floats, some: slice) -> Floats:
        """Chance that it stays below, given that those do; shape (points, cases)."""
        pull = DENSITY * np.exp(-0.5 * np.square(away)) / below
        part = self.part[:, None, some]
        beyond = pull * (away + pull)
        left = np.clip(1.0 - beyond, 0.02, 1.0)
        third = -pull * (np.square(away + pull) + beyond - 1.0)
        mean = -(part * pull).sum(axis=0)
        var = (np.square(part) * left).sum(axis=0)
        sd = np.sqrt(var)
        lean = (part * part * part * third).sum(axis=0) / (6.0 * var * sd)
        np.clip(lean, -MOST_LEAN, MOST_LEAN, out=lean)
        free = (self.bound[some] - self.loading[some] * at[:, None]) / self.own[some]
        return normal_chance(upright((free - mean) / sd, lean))


def normal_chance(away: Floats) -> Floats:
    """Chance of a standard normal variable below ``away``, at most 2e-5 off; ``away`` beyond FAR
    is set to it, in place.

    scipy's is exact, and four times slower: here numpy takes several numbers at a time.
    """
    np.minimum(away, FAR, out=away)
    np.maximum(away, -FAR, out=away)
    square = np.square(away)
    log_odds = square * -LOGIT[2]
    log_odds -= LOGIT[1]
    log_odds *= square
    log_odds -= LOGIT[0]
    log_odds *= away
    np.exp(log_odds, out=log_odds)
    log_odds += 1.0
    np.divide(1.0, log_odds, out=log_odds)
    return log_odds


def usual_greatest(mean: Floats, sd: Floats, loading: Floats) -> tuple[Floats, Floats]:
    """Mean and standard deviation of the greatest variable, shape (cases,), nearly.

    ``mean``, ``sd`` and ``loading`` of shape (n, cases); two by two, after Clark, C.E., 1961, The
    greatest of a finite set of random variables (from memory).
    """
    middle, var = mean[0].copy(), np.square(sd[0])
    shared = sd[0] * loading[0]
    for one in range(1, mean.shape[0]):
        own, own_shared = np.square(sd[one]), sd[one] * loading[one]
        apart = np.sqrt(np.maximum(var + own - 2.0 * shared * own_shared, 1e-12 * own))
        ahead = middle - mean[one]
        away = ahead / apart
        first = normal_chance(away)
        bump = apart * DENSITY * np.exp(-0.5 * np.square(away))
        rise = first * ahead + bump  # of the mean over that of this variable
        square = first * (var + ahead * ahead) + (1.0 - first) * own + ahead * bump
        var = np.maximum(square - rise * rise, 1e-6 * own)
        middle = mean[one] + rise
        shared = first * shared + (1.0 - first) * own_shared
    return middle, np.sqrt(var)


def normal_quantile(chance: Floats) -> Floats:
    """Standard normal number below which lies ``chance``; finite also for 0 and 1."""
    away: Floats = ndtri(np.clip(chance, 1e-13, 1.0 - 1e-13))
    return away
