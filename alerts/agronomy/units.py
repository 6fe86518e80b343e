"""Units and bases, and the one rule of this package for arrays and refused values.

The rule, for every formula of the package:

* Floats and arrays are both accepted and are broadcast against each other. Only floats in gives
  a Python float out; any array in gives a float64 array out.
* Each argument has a stated valid range. Where an element lies outside it, or is NaN, the result
  there is NaN, for a float as for an array. A bad value therefore never stops its neighbours, and
  no formula extrapolates.
* ValueError is raised only for a bad option: an unknown stage or equation, or arrays that do not
  belong together.
"""

from __future__ import annotations

from typing import TypeVar, cast

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
Numbers = float | FloatArray
N = TypeVar("N", bound=float | FloatArray)
"""Type of the numbers going in, and so of those coming out; a mix comes out as an array.

Write literals as floats: a checker takes 40 for an int and so the result too, which is a float.
"""

Range = tuple[float, float]

PERCENT_RANGE: Range = (0.0, 100.0)
CM_PER_IN = 2.54  # exact by definition of the inch
F_PER_C = 1.8
FREEZING_F = 32.0
ABSOLUTE_ZERO_C = -273.15
ABSOLUTE_ZERO_F = ABSOLUTE_ZERO_C * F_PER_C + FREEZING_F


def within(values: Numbers, valid: Range) -> FloatArray:
    """Give `values` as a float array with NaN wherever `valid` (both ends included) is left.

    Infinity is never valid, so an infinite end means no limit on that side.

    >>> within(np.array([20.0, 0.2, np.nan]), (15.0, 85.0)).tolist()
    [20.0, nan, nan]
    """
    array = np.asarray(values, dtype=np.float64)
    low, high = valid
    return np.where(np.isfinite(array) & (array >= low) & (array <= high), array, np.nan)


def like(given: N, result: Numbers) -> N:
    """Hand `result` back as what was `given`: a float when it has no dimension, else an array.

    `given` serves the type checker only; the shape of `result` decides.

    >>> like(1.0, np.asarray(2.0))
    2.0
    """
    array = np.asarray(result, dtype=np.float64)
    return cast("N", array.item() if array.ndim == 0 else array)


def percent_from_fraction(fraction: N) -> N:
    """Percentage that a fraction stands for.

    Parameters
    ----------
    fraction : float or array
        Part of the whole [-, 0 to 1].

    Returns
    -------
    float or array
        The same part [%].

    Notes
    -----
    100 fraction. NaN outside 0 to 1.

    References
    ----------
    .. [1] Definition of the percent.

    Examples
    --------
    >>> percent_from_fraction(0.25)
    25.0
    """
    return like(fraction, 100.0 * within(fraction, (0.0, 1.0)))


def percent_from_g_per_kg(value_g_per_kg: N) -> N:
    """Percentage by mass from grams per kilogram.

    Parameters
    ----------
    value_g_per_kg : float or array
        Content [g/kg, 0 to 1000].

    Returns
    -------
    float or array
        Content [% of the same mass].

    Notes
    -----
    value / 10. NaN outside 0 to 1000.

    References
    ----------
    .. [1] Definition of the percent.

    Examples
    --------
    >>> percent_from_g_per_kg(401.0)
    40.1
    """
    return like(value_g_per_kg, within(value_g_per_kg, (0.0, 1000.0)) / 10.0)


def dry_matter_basis(value_pct_as_fed: N, dm_pct: N) -> N:
    """Content in the dry matter from content in the feed as it came, water included.

    Parameters
    ----------
    value_pct_as_fed : float or array
        Content [% of fresh weight, 0 to dm_pct].
    dm_pct : float or array
        Dry matter [% of fresh weight, above 0 to 100].

    Returns
    -------
    float or array
        Content [% of DM].

    Notes
    -----
    100 value / DM. NaN where either leaves its range: dry matter of 0 or less cannot hold
    anything, and a part of the dry matter cannot outweigh all of it.

    References
    ----------
    .. [1] Definition of the dry matter basis (arithmetic).

    Examples
    --------
    >>> dry_matter_basis(10.0, 25.0)
    40.0
    """
    value = within(value_pct_as_fed, PERCENT_RANGE)
    dry_matter = within(dm_pct, PERCENT_RANGE)
    possible = (dry_matter > 0.0) & (value <= dry_matter)
    share = np.where(possible, dry_matter, np.nan) / 100.0
    return like(value_pct_as_fed, value / share)


def inches_from_cm(length_cm: N) -> N:
    """Length in inches from centimeters.

    Parameters
    ----------
    length_cm : float or array
        Length [cm, 0 or more].

    Returns
    -------
    float or array
        Length [in].

    Notes
    -----
    cm / 2.54. NaN below 0.

    References
    ----------
    .. [1] National Bureau of Standards, 1959, Refinement of values for the yard and the pound
       (citation from memory).

    Examples
    --------
    >>> inches_from_cm(76.2)
    30.0
    """
    return like(length_cm, within(length_cm, (0.0, np.inf)) / CM_PER_IN)


def cm_from_inches(length_in: N) -> N:
    """Length in centimeters from inches.

    Parameters
    ----------
    length_in : float or array
        Length [in, 0 or more].

    Returns
    -------
    float or array
        Length [cm].

    Notes
    -----
    2.54 in. NaN below 0.

    References
    ----------
    .. [1] National Bureau of Standards, 1959, Refinement of values for the yard and the pound
       (citation from memory).

    Examples
    --------
    >>> cm_from_inches(10.0)
    25.4
    """
    return like(length_in, within(length_in, (0.0, np.inf)) * CM_PER_IN)


def fahrenheit_from_celsius(temperature_c: N) -> N:
    """Temperature in degrees Fahrenheit from degrees Celsius.

    Parameters
    ----------
    temperature_c : float or array
        Temperature [C, -273.15 or more].

    Returns
    -------
    float or array
        Temperature [F].

    Notes
    -----
    1.8 C + 32. NaN below absolute zero. A difference of temperatures, and so a degree day, takes
    the factor without the 32; see `alerts.agronomy.growth`.

    References
    ----------
    .. [1] Definition of the Fahrenheit scale.

    Examples
    --------
    >>> fahrenheit_from_celsius(5.0)
    41.0
    """
    celsius = within(temperature_c, (ABSOLUTE_ZERO_C, np.inf))
    return like(temperature_c, celsius * F_PER_C + FREEZING_F)


def celsius_from_fahrenheit(temperature_f: N) -> N:
    """Temperature in degrees Celsius from degrees Fahrenheit.

    Parameters
    ----------
    temperature_f : float or array
        Temperature [F, -459.67 or more].

    Returns
    -------
    float or array
        Temperature [C].

    Notes
    -----
    (F - 32) / 1.8. NaN below absolute zero.

    References
    ----------
    .. [1] Definition of the Fahrenheit scale.

    Examples
    --------
    >>> celsius_from_fahrenheit(41.0)
    5.0
    """
    fahrenheit = within(temperature_f, (ABSOLUTE_ZERO_F, np.inf))
    return like(temperature_f, (fahrenheit - FREEZING_F) / F_PER_C)
