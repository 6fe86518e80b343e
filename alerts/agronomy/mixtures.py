"""Alfalfa-grass stands: fiber goals, when to begin, and how fast fiber climbs, by grass share.

Published for 0, 50 and 100 % grass only. The straight line between them is our choice, and so is
reading the share as a percentage of dry matter. Neither stem-height tables nor degree days should
be used on mixtures; see `alerts.agronomy.peaq` and `alerts.agronomy.growth`.
"""

from __future__ import annotations

import numpy as np

from alerts.agronomy.units import PERCENT_RANGE, N, like, within

GRASS_PCT = (0.0, 50.0, 100.0)

# Smith, E., 2021, and Letham, J., 2017, 1st cutting forage quality update: height guide
STORED_NDF_PCT_DM = (40.0, 44.0, 50.0)
ALFALFA_HEIGHT_IN = (28.0, 22.0, 14.0)
NDF_RISE_PCT_DM_PER_DAY = (0.5, 0.8, 1.0)

# Cherney, J.H., n.d., Alfalfa-grass NDF assessment: pure stands only; 44 at half grass is the line
STANDING_NDF_PCT_DM = (38.0, 44.0, 50.0)


def stored_ndf_target(grass_pct: N) -> N:
    """Neutral detergent fiber wanted in the stored forage.

    Parameters
    ----------
    grass_pct : float or array
        Share of grass in the stand [% of DM, 0 to 100].

    Returns
    -------
    float or array
        NDF [% of DM].

    Notes
    -----
    40, 44 and 50 at 0, 50 and 100 % grass; straight lines between. NaN outside 0 to 100. Mind
    that at 50 and 100 % grass the published figure equals that of the standing crop: no loss was
    allowed for there.

    References
    ----------
    .. [1] Letham, J., 2017, 1st cutting forage quality update: height guide.
    .. [2] Smith, E., 2021, 1st cutting forage quality update: height guide.

    Examples
    --------
    >>> stored_ndf_target(50.0)
    44.0
    """
    return _by_grass(grass_pct, STORED_NDF_PCT_DM)


def standing_ndf_target(grass_pct: N) -> N:
    """Neutral detergent fiber at which to cut the standing crop.

    Parameters
    ----------
    grass_pct : float or array
        Share of grass in the stand [% of DM, 0 to 100].

    Returns
    -------
    float or array
        NDF [% of DM].

    Notes
    -----
    38 for alfalfa and 50 for grass, on the assumption that quality falls by 10 to 15 % until
    feeding; a straight line between, which gives 44 at half grass. NaN outside 0 to 100.

    References
    ----------
    .. [1] Cherney, J.H., n.d., Alfalfa-grass NDF assessment (Grass Management Manual).

    Examples
    --------
    >>> standing_ndf_target(0.0)
    38.0
    """
    return _by_grass(grass_pct, STANDING_NDF_PCT_DM)


def alfalfa_height_to_begin(grass_pct: N) -> N:
    """Height of alfalfa, in the stand or nearby, at which to begin the first cutting.

    Parameters
    ----------
    grass_pct : float or array
        Share of grass in the stand [% of DM, 0 to 100].

    Returns
    -------
    float or array
        Tallest alfalfa stem [in]; for pure grass that of pure alfalfa nearby.

    Notes
    -----
    28, 22 and 14 in at 0, 50 and 100 % grass; straight lines between. NaN outside 0 to 100.

    References
    ----------
    .. [1] Letham, J., 2017, 1st cutting forage quality update: height guide.
    .. [2] Smith, E., 2021, 1st cutting forage quality update: height guide.

    Examples
    --------
    >>> alfalfa_height_to_begin(np.array([0.0, 25.0, 100.0])).tolist()
    [28.0, 25.0, 14.0]
    """
    return _by_grass(grass_pct, ALFALFA_HEIGHT_IN)


def daily_ndf_rise(grass_pct: N) -> N:
    """Usual rise of neutral detergent fiber in the standing first cutting.

    Parameters
    ----------
    grass_pct : float or array
        Share of grass in the stand [% of DM, 0 to 100].

    Returns
    -------
    float or array
        NDF [points of % of DM a day].

    Notes
    -----
    0.5, 0.8 and 1.0 at 0, 50 and 100 % grass; straight lines between. Published ranges: 0.4 to
    0.7 for alfalfa, 0.8 to 1.2 for grass, the low end in cool weather. NaN outside 0 to 100.

    References
    ----------
    .. [1] Smith, E., 2021, 1st cutting forage quality update: height guide.

    Examples
    --------
    >>> daily_ndf_rise(50.0)
    0.8
    """
    return _by_grass(grass_pct, NDF_RISE_PCT_DM_PER_DAY)


def _by_grass(grass_pct: N, published: tuple[float, float, float]) -> N:
    return like(grass_pct, np.interp(within(grass_pct, PERCENT_RANGE), GRASS_PCT, published))
