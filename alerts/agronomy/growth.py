"""Growing degree days, and the fiber to expect from them in first-cut alfalfa.

For the first cutting of pure alfalfa with enough soil moisture. After hard spring frosts, or in dry
soil, heat adds up without the growth it stands for.
"""

from __future__ import annotations

import numpy as np

from alerts.agronomy.units import F_PER_C, FloatArray, N, Range, like, within

BASE_F = 41.0
FIRST_DAY = (3, 1)  # month and day from which degree days are summed
AIR_RANGE_F: Range = (-80.0, 140.0)  # wider than any air temperature recorded, our judgement
BASE_RANGE_F: Range = (32.0, 60.0)  # published bases run from 38.3 to 50 F

# 680 and 750: a Great Lakes state university, 2013, Warmer than average weather makes gains on
# growing degree days; 970: Thomas, C., 2010, Use growing degree days to time first cutting
THRESHOLD_F_DAYS = (680.0, 750.0, 970.0)
THRESHOLD_NDF_PCT_DM = (38.0, 40.0, 45.0)


def degree_days_f(tmax_f: N, tmin_f: N, base_f: float = BASE_F) -> N:
    """Growing degree days of one or more days.

    Parameters
    ----------
    tmax_f, tmin_f : float or array
        Highest and lowest air temperature of the day [F, -80 to 140]; the highest not below the
        lowest.
    base_f : float
        Base temperature [F, 32 to 60]; the published rule for alfalfa uses 41.

    Returns
    -------
    float or array
        Degree days [F-days].

    Notes
    -----
    max(0, (Tmax + Tmin) / 2 - base). The mean is held against the base, Tmin is not raised to it,
    and there is no cap. NaN outside the ranges.

    References
    ----------
    .. [1] Kaatz, P., about 2011, Growing degree days and alfalfa harvest timing.

    Examples
    --------
    >>> degree_days_f(60.0, 40.0)
    9.0
    """
    high, low = within(tmax_f, AIR_RANGE_F), within(tmin_f, AIR_RANGE_F)
    mean = np.where(high >= low, (high + low) / 2.0, np.nan)
    return like(tmax_f, np.maximum(mean - within(base_f, BASE_RANGE_F), 0.0))


def accumulate(degree_days: FloatArray, start: int = 0) -> FloatArray:
    """Running sum of degree days from a starting day on.

    Parameters
    ----------
    degree_days : array of shape (..., days)
        Degree days of consecutive days [F-days or C-days, 0 or more].
    start : int
        Place of the first day to count [0 to days - 1]; by the published rule 1 March.

    Returns
    -------
    array of shape (..., days)
        Sum up to and including each day [same unit]; 0 before the start.

    Notes
    -----
    Days before the start do not count, whatever they hold. From a missing or negative day on the
    sum is NaN: a gap is for the caller to fill. ValueError for a start outside the days.

    References
    ----------
    .. [1] Kaatz, P., about 2011, Growing degree days and alfalfa harvest timing.

    Examples
    --------
    >>> accumulate(np.array([5.0, 9.0, 0.0, 30.5]), start=1).tolist()
    [0.0, 9.0, 9.0, 39.5]
    """
    daily = within(degree_days, (0.0, np.inf))
    days = daily.shape[-1] if daily.ndim else 0
    if not 0 <= start < days:
        raise ValueError(f"day {start} is not among the {days} days given")
    counted = np.where(np.arange(days) >= start, daily, 0.0)
    return np.cumsum(counted, axis=-1)


def c_days_from_f_days(degree_days: N) -> N:
    """Celsius degree days from Fahrenheit degree days.

    Parameters
    ----------
    degree_days : float or array
        Degree days [F-days, 0 or more].

    Returns
    -------
    float or array
        Degree days [C-days].

    Notes
    -----
    F-days / 1.8; a difference of temperatures takes no 32. NaN below 0.

    References
    ----------
    .. [1] Definition of the Fahrenheit scale.

    Examples
    --------
    >>> round(c_days_from_f_days(750.0), 1)
    416.7
    """
    return like(degree_days, within(degree_days, (0.0, np.inf)) / F_PER_C)


def f_days_from_c_days(degree_days: N) -> N:
    """Fahrenheit degree days from Celsius degree days.

    Parameters
    ----------
    degree_days : float or array
        Degree days [C-days, 0 or more].

    Returns
    -------
    float or array
        Degree days [F-days].

    Notes
    -----
    1.8 C-days. NaN below 0.

    References
    ----------
    .. [1] Definition of the Fahrenheit scale.

    Examples
    --------
    >>> f_days_from_c_days(500.0)
    900.0
    """
    return like(degree_days, within(degree_days, (0.0, np.inf)) * F_PER_C)


def ndf_at_degree_days(degree_days: N) -> N:
    """Neutral detergent fiber to expect in standing first-cut alfalfa.

    Parameters
    ----------
    degree_days : float or array
        Degree days over 41 F summed from 1 March [F-days, 680 to 970].

    Returns
    -------
    float or array
        NDF [% of DM], within about 3 points in most years.

    Notes
    -----
    38, 40 and 45 at 680, 750 and 970; straight lines between (our choice). NaN outside, no
    extrapolation. Sources disagree: Minnesota puts about 35 at 700 to 750 [3]_, so show a range.

    References
    ----------
    .. [1] A Great Lakes state university, 2013, Warmer than average weather makes gains on
       growing degree days.
    .. [2] Thomas, C., about 2010, Use growing degree days to time first cutting.
    .. [3] Noland, R.L.; Wells, M.S., 2023, Using growing degree days to plan early-season alfalfa
       harvests.

    Examples
    --------
    >>> ndf_at_degree_days(715.0)
    39.0
    """
    total = within(degree_days, (THRESHOLD_F_DAYS[0], THRESHOLD_F_DAYS[-1]))
    return like(degree_days, np.interp(total, THRESHOLD_F_DAYS, THRESHOLD_NDF_PCT_DM))
