"""Carrying a result over to another index, for evidence only.

RFV and RFQ rank forage alike on average but differ notably in single lots, and NDF leaves out ADF.
A value carried over is therefore used with a shift of its own and a wider error; it never stands
for a result in the other index on a page or in a message.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from alerts.agronomy import peaq, quality
from alerts.agronomy.scale import Floats

ADF_PER_NDF = peaq.ADF_PER_IN / peaq.NDF_PER_IN
ADF_AT_NDF_0 = peaq.ADF_INTERCEPT - ADF_PER_NDF * peaq.NDF_INTERCEPT

_NDF_GRID = np.linspace(18.0, 78.0, 601)
"""Fine enough that the straight line between two points errs by less than 0.01 units."""


def rfv_from_ndf(ndf_pct_dm: ArrayLike) -> Floats:
    """RFV of alfalfa with this NDF and the ADF that usually goes with it.

    Parameters
    ----------
    ndf_pct_dm : [% of DM, 18 to 78]

    Returns
    -------
    [index points]; NaN out of range

    Notes
    -----
    ADF = 0.745 NDF - 0.29, from the fibre equations implied by the published stem tables [1]_,
    then the RFV equation.

    References
    ----------
    .. [1] Weld, K., 2021, Calculating alfalfa stand quality.

    Examples
    --------
    >>> round(float(rfv_from_ndf(40.0)), 0)
    153.0
    """
    ndf = np.asarray(ndf_pct_dm, dtype=np.float64)
    inside = np.where((ndf >= _NDF_GRID[0]) & (ndf <= _NDF_GRID[-1]), ndf, np.nan)
    return np.asarray(quality.rfv(ADF_AT_NDF_0 + ADF_PER_NDF * inside, inside), dtype=np.float64)


def ndf_from_rfv(rfv: ArrayLike) -> Floats:
    """NDF of alfalfa with this RFV; the inverse of :func:`rfv_from_ndf`.

    Parameters
    ----------
    rfv : [index points, about 40 to 400]

    Returns
    -------
    [% of DM]; NaN out of range

    References
    ----------
    .. [1] Weld, K., 2021, Calculating alfalfa stand quality.

    Examples
    --------
    >>> round(float(ndf_from_rfv(rfv_from_ndf(36.0))), 2)
    36.0
    """
    grid = rfv_from_ndf(_NDF_GRID)
    known = ~np.isnan(grid)
    return np.interp(
        np.asarray(rfv, dtype=np.float64),
        grid[known][::-1],
        _NDF_GRID[known][::-1],
        left=np.nan,
        right=np.nan,
    )
