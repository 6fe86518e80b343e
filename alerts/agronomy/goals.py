"""Goal arithmetic: from the quality wanted in storage to the quality wanted at cutting.

feed target -> handling loss -> standing target -> harvest length -> quality at the start.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from alerts.agronomy.scale import Floats


def standing_target(feed_target: ArrayLike, handling_loss: ArrayLike, *, falls: bool) -> Floats:
    """Quality the crop must have while standing so that storage ends at the feed target.

    Parameters
    ----------
    feed_target : quality wanted in storage [index points; % of DM for NDF]
    handling_loss : lost from standing crop to storage [index points >= 0; % of DM gained for NDF]
    falls : True for RFV and RFQ, which handling lowers; False for NDF, which it raises

    Returns
    -------
    [same unit as feed_target]

    References
    ----------
    .. [1] University of Minnesota Extension, n.d., Alfalfa scissors cut sampling procedure.

    Examples
    --------
    >>> float(standing_target(160, 25, falls=True))
    185.0
    >>> float(standing_target(40, 2, falls=False))
    38.0
    """
    sign = 1.0 if falls else -1.0
    target: Floats = np.asarray(feed_target, dtype=np.float64) + sign * np.asarray(
        handling_loss, dtype=np.float64
    )
    return target


def start_quality(
    target: ArrayLike,
    harvest_days: ArrayLike,
    change_per_day: ArrayLike,
    *,
    share: float,
    falls: bool,
) -> Floats:
    """Standing quality on the day to start, by the rule of thumb with a straight daily change.

    Parameters
    ----------
    target : standing target [index points; % of DM for NDF]
    harvest_days : days from the first to the last day of cutting [d, >= 0]
    change_per_day : fall of RFV or RFQ, rise of NDF [points a day, >= 0]
    share : part of the harvest before the load that must meet the target [0 to 1];
        0.5 for the average of the crop, 1 for the last load
    falls : True for RFV and RFQ, False for NDF

    Notes
    -----
    start = target +/- share * harvest_days * change_per_day. Published planning uses the middle of
    the harvest [1]_; share = 1 follows from the same arithmetic for the last load.

    References
    ----------
    .. [1] University of Minnesota Extension, n.d., Alfalfa scissors cut sampling procedure.

    Examples
    --------
    >>> float(start_quality(170, 14, 3, share=0.5, falls=True))
    191.0
    """
    sign = 1.0 if falls else -1.0
    ahead = share * np.asarray(harvest_days, np.float64) * np.asarray(change_per_day, np.float64)
    start: Floats = np.asarray(target, dtype=np.float64) + sign * ahead
    return start


def harvest_days_from_capacity(acres: float, acres_per_day: float) -> float:
    """Harvest length from area and pace.

    acres [acre, > 0] over acres_per_day [acre a day, > 0] gives [d]. ValueError otherwise.

    Examples
    --------
    >>> harvest_days_from_capacity(90, 30)
    3.0
    """
    if acres <= 0 or acres_per_day <= 0:
        raise ValueError("acres and acres a day must both be above 0")
    return acres / acres_per_day
