"""The scale on which a standing crop declines in a straight line.

RFV and RFQ fall along a bent curve: the same rise in fibre costs 3.6 points a day at RFV 188 but
2.6 at RFV 152. Fibre itself climbs almost straight in spring. With ADF tied to NDF, as it is in one
growing crop, RFV is close to a constant over NDF squared, so 1/sqrt(index) is nearly linear in
NDF: from NDF 34 (ADF 26) over 40 (30.5) to 46 (35) it rises 0.00138 and then 0.00139 per unit of
NDF, while RFV itself loses 6.1 and then 4.5 points per unit. A laboratory's error has a constant
size on this scale too. NDF is its own scale.

Chosen by back-test (``python -m alerts.backtest compare-scales``): 200 simulated areas, crops grown
straight in NDF and told in RFV alone, the area model on each scale; mean of seeds 1 and 2, seven
rounds in three weeks and twelve in six. Bend is the largest distance from a straight line of the
published table of RFV by stem height (Weld, K., 2021, bud stage), as a share of its range.

    scale        RMSE of the next result   error of the day     80 % range    bend
                   7 rounds  12 rounds     7 rounds  12 rounds   holds         table
    RFV itself     22.6      19.7 points   4.3       4.7 days    70-72 %       8.1 %
    log RFV        20.6      16.9          3.3       3.6         78-80 %       2.7 %
    1/sqrt RFV     19.9      16.4          2.9       3.4         80-83 %       0.7 %
    NDF            19.8      16.4          2.9       3.4         80-84 %       0.6 %

NDF itself is no better than 1/sqrt(index), and an RFV or RFQ need not be turned into an NDF that
nobody measured.

On the scale every index rises with time, and a crop misses its target once it is above it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def to_scale(index_value: ArrayLike, *, falls: bool) -> Floats:
    """Put an index value on the straight scale.

    Parameters
    ----------
    index_value : [index points, > 0 for RFV and RFQ; % of DM for NDF]
    falls : True for RFV and RFQ, False for NDF

    Returns
    -------
    [1/sqrt(index points)] for RFV and RFQ, [% of DM] for NDF. Values of 0 or less have no place on
    the scale of a falling index and give NaN.

    Notes
    -----
    x = 1 / sqrt(index); derived in the module docstring from the RFV equation [1]_.

    References
    ----------
    .. [1] Stallings, C.C., 2004, Relative feed value is an indicator of hay quality.

    Examples
    --------
    >>> round(float(to_scale(185.0, falls=True)), 6)
    0.073521
    """
    value = np.asarray(index_value, dtype=np.float64)
    if not falls:
        return value
    return np.where(value > 0, 1.0, np.nan) / np.sqrt(np.where(value > 0, value, 1.0))


def from_scale(scale_value: ArrayLike, *, falls: bool) -> Floats:
    """Take a scale value back to the index; the inverse of :func:`to_scale`.

    Returns [index points] for RFV and RFQ, [% of DM] for NDF; NaN for a scale value of 0 or less
    of a falling index, which stands for no finite index.

    Examples
    --------
    >>> round(float(from_scale(to_scale(185.0, falls=True), falls=True)), 6)
    185.0
    """
    value = np.asarray(scale_value, dtype=np.float64)
    if not falls:
        return value
    return np.where(value > 0, 1.0, np.nan) / np.square(np.where(value > 0, value, 1.0))


def points_to_scale(points: ArrayLike, at: ArrayLike, *, falls: bool) -> Floats:
    """Turn a small step in index points, at a given index level, into a step on the scale.

    Serves daily rates and standard deviations alike.

    Parameters
    ----------
    points : [index points, or % of DM for NDF], positive = maturing
    at : index level at which the step holds [index points, > 0]; not used for NDF
    falls : True for RFV and RFQ, False for NDF

    Notes
    -----
    dx = 0.5 * at**-1.5 * points, the derivative of 1/sqrt(index).

    Examples
    --------
    >>> round(float(points_to_scale(4.0, 185.0, falls=True)), 6)
    0.000795
    """
    step = np.asarray(points, dtype=np.float64)
    if not falls:
        return step
    return step * 0.5 * np.power(np.asarray(at, dtype=np.float64), -1.5)
