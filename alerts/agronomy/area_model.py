"""What an area's results say together: levels and rates of all its fields, solved exactly.

On the straight scale (``alerts.agronomy.scale``) a result of field f on sampling day d is

    y = m_f + g_f (c - c0) + [a + p_f] + g_f (c - c0) [r + q_f] + v_d + b_k + e

    m_f, g_f   prior level at clock c0 and prior daily rate of the field (published numbers, stand)
    c          clock of that field on that day, in ordinary days
    a, r       what the whole area is above its prior: level, and rate as a share of the prior rate
    p_f, q_f   what the field is above its area: level, rate share
    v_d        what the sampling day did to every clip of the area: weather before dawn, one batch;
               and how far the clock itself had strayed by then, see below
    b_k        how far results that speak another index k lie off, once carried over
    e          error of the single result

All of a, r, p, q, v, b, e are independent normal with known spreads, but for one thing: a clock
that does not know the weather strays, a warm week runs ahead of it and nothing takes that back. So
the v_d of two days are tied by a walk that stands still at the unit's newest sampling day and
loosens backwards (``Spreads.drift``): the line is that of today, and old results bear on it less.

The unknowns of a field enter only its own results, so they are eliminated field by field in closed
form (a 2 x 2 system each), and what remains is one small system an area (area level and rate,
sampling days, other indexes). Nothing is approximated: the result equals the dense Gaussian
computation. With one result in the whole area it is the rule of thumb from that result; with many,
the results decide.

Arrays are flat over results and fields of many areas ("units"), so that one call serves them all.
"""

from __future__ import annotations

from alerts.agronomy.area_equations import AreaEquations
from alerts.agronomy.area_parts import AreaPosterior, Fields, Results, Spreads
from alerts.agronomy.day_lots import day_lots, put_together
from alerts.agronomy.kept_memory import keep_freed_memory
from alerts.agronomy.odd_weights import solve_robustly

__all__ = ["AreaPosterior", "Fields", "Results", "Spreads", "fit_areas"]


def fit_areas(
    fields: Fields, results: Results, spreads: Spreads, *, units: int, robust: bool = True
) -> AreaPosterior:
    """Posterior of all fields of all units.

    Parameters
    ----------
    fields, results, spreads : see the classes
    units : number of units
    robust : give odd results, fields, sampling days and springs less weight, see
        ``alerts.agronomy.odd_weights``. No result is dropped, and one that nothing contradicts
        keeps its full weight.

    Returns
    -------
    AreaPosterior

    Notes
    -----
    Best linear unbiased prediction of a mixed model with known variances [1]_, by eliminating each
    field's two unknowns from the normal equations (cited from memory).

    References
    ----------
    .. [1] Robinson, G.K., 1991, That BLUP is a good thing: the estimation of random effects.

    Examples
    --------
    One field, one NDF result of 34 at the clock's origin, 0.5 a day:

    >>> import numpy as np
    >>> fields = Fields(unit=np.array([0]), level=np.array([0.0]), rate=np.array([0.5]))
    >>> results = Results(field=np.array([0]), visit=np.array([0]), since=np.array([0.0]),
    ...                   value=np.array([34.0]), sd=np.array([1.4]), other=np.array([0]))
    >>> spreads = Spreads(1e3, 0.2, 1.5, 0.15, 1.5, 2.0)
    >>> mean, var = fit_areas(fields, results, spreads, units=1).line(4.0)
    >>> round(float(mean[0]), 2)
    36.0
    """
    keep_freed_memory()
    lots = day_lots(fields, results, units)
    if len(lots) == 1:
        return _solved(AreaEquations(fields, results, spreads, units), robust)
    parts = [
        _solved(
            AreaEquations(
                lot.of_fields(fields, units),
                lot.of_results(results, fields.unit.size),
                lot.of_spreads(spreads, units),
                lot.units.size,
            ),
            robust,
        )
        for lot in lots
    ]
    return put_together(fields, results.field.size, lots, parts)


def _solved(equations: AreaEquations, robust: bool) -> AreaPosterior:
    if robust:
        return solve_robustly(equations)
    weights = equations.full_weights()
    return equations.posterior(equations.solve(weights), weights)
