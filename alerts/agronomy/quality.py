"""Relative feed value (RFV) and relative forage quality (RFQ), with the intake in each.

Fiber must be on a dry matter (DM) basis; as received it would give an index that is too high. No
intermediate value is rounded. Neither index is meant for corn silage, and the two are never
converted into one another: they agree only when fiber digestibility happens to be average.
Ranges and the sums of nutrients are in `alerts.agronomy.nutrients`, the rule for refused values
in `alerts.agronomy.units`.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np

from alerts.agronomy.nutrients import (
    ADF_RANGE,
    CP_RANGE,
    NDF_RANGE,
    NDFD48_RANGE,
    fatty_acids_pct_dm,
    ndfdp_pct_ndf,
    nfc_pct_dm,
    nitrogen_free_ndf,
    tdn_grass,
    tdn_legume,
)
from alerts.agronomy.units import PERCENT_RANGE, FloatArray, N, Numbers, Range, like, within

__all__ = [
    "RfqEquation",
    "ddm_pct_dm",
    "dmi_grass",
    "dmi_legume",
    "dmi_pct_bw",
    "fatty_acids_pct_dm",
    "ndfdp_pct_ndf",
    "nfc_pct_dm",
    "nitrogen_free_ndf",
    "rfq",
    "rfv",
    "tdn_grass",
    "tdn_legume",
]

POSITIVE: Range = (np.nextafter(0.0, 1.0), np.inf)

# RFV: Stallings, C.C., 2004, Relative feed value is an indicator of hay quality
DDM_INTERCEPT = 88.9
DDM_ADF_SLOPE = -0.779
NDF_INTAKE_CONSTANT = 120.0  # 1.2 lb of NDF eaten per 100 lb of body weight
RFV_DIVISOR = 1.29  # digestible DM intake of full-bloom alfalfa [% of body weight]

# RFQ: Moore, J.E.; Undersander, D.J., 2002 (see dmi_legume); the divisor Undersander, D., 2016
RFQ_DIVISOR = 1.23
NDFD_REFERENCE = 45.0  # [% of NDF]
NDFD_INTAKE_SLOPE_LB = 0.374  # DM intake per point of NDFD [lb a day]
COW_WEIGHT_LB = 1350.0
DMI_INTERCEPT = -2.318
DMI_CP = 0.442
DMI_CP_SQUARED = -0.0100
DMI_TDN = -0.0638
DMI_TDN_SQUARED = 0.000922
DMI_ADF = 0.180
DMI_ADF_SQUARED = -0.00196
DMI_CP_ADF = -0.00529


class RfqEquation(StrEnum):
    """Which of the two RFQ equations applies; they are never blended.

    LEGUME covers legumes and legume-grass mixtures, GRASS a forage that is mainly grass
    (Undersander, D., 2016, Relative forage quality). No published share of grass divides them:
    the caller chooses, and says so.
    """

    LEGUME = "legume"
    GRASS = "grass"


def ddm_pct_dm(adf_pct_dm: N) -> N:
    """Digestible dry matter from acid detergent fiber.

    Parameters
    ----------
    adf_pct_dm : float or array
        Acid detergent fiber [% of DM, 5 to 75].

    Returns
    -------
    float or array
        Digestible dry matter [% of DM].

    Notes
    -----
    DDM = 88.9 - 0.779 ADF. NaN outside the range.

    References
    ----------
    .. [1] Stallings, C.C., 2004, Relative feed value is an indicator of hay quality.

    Examples
    --------
    >>> round(ddm_pct_dm(30.0), 2)
    65.53
    """
    return like(adf_pct_dm, DDM_INTERCEPT + DDM_ADF_SLOPE * within(adf_pct_dm, ADF_RANGE))


def dmi_pct_bw(ndf_pct_dm: N) -> N:
    """Dry matter intake from neutral detergent fiber, as RFV counts it.

    Parameters
    ----------
    ndf_pct_dm : float or array
        Neutral detergent fiber [% of DM, 15 to 85].

    Returns
    -------
    float or array
        Dry matter intake [% of body weight a day].

    Notes
    -----
    DMI = 120 / NDF. NaN outside the range.

    References
    ----------
    .. [1] Stallings, C.C., 2004, Relative feed value is an indicator of hay quality.

    Examples
    --------
    >>> dmi_pct_bw(40.0)
    3.0
    """
    return like(ndf_pct_dm, NDF_INTAKE_CONSTANT / within(ndf_pct_dm, NDF_RANGE))


def rfv(adf_pct_dm: N, ndf_pct_dm: N) -> N:
    """Relative feed value, about 100 for full-bloom alfalfa hay.

    Parameters
    ----------
    adf_pct_dm, ndf_pct_dm : float or array
        Acid [% of DM, 5 to 75] and neutral [% of DM, 15 to 85] detergent fiber; ADF is a part of
        NDF and so smaller.

    Returns
    -------
    float or array
        Relative feed value [-].

    Notes
    -----
    RFV = DDM DMI / 1.29. NaN outside the ranges and where ADF is not below NDF. A source that
    rounds DDM or DMI first differs by up to 1.5 points.

    References
    ----------
    .. [1] Stallings, C.C., 2004, Relative feed value is an indicator of hay quality.
    .. [2] Ward, R.; de Ondarza, M.B., 2008, Relative feed value (RFV) vs. relative forage
       quality (RFQ).

    Examples
    --------
    >>> round(rfv(30.0, 40.0), 1)
    152.4
    """
    adf, ndf = _fiber(adf_pct_dm, ndf_pct_dm)
    return like(adf_pct_dm, ddm_pct_dm(adf) * dmi_pct_bw(ndf) / RFV_DIVISOR)


def dmi_legume(ndf_pct_dm: N, ndfd48_pct_ndf: N) -> N:
    """Dry matter intake of a legume or a legume-grass mixture, as RFQ counts it.

    Parameters
    ----------
    ndf_pct_dm, ndfd48_pct_ndf : float or array
        Neutral detergent fiber [% of DM, 15 to 85] and what of it is digested in vitro in
        48 hours [% of NDF, 10 to 95].

    Returns
    -------
    float or array
        Dry matter intake [% of body weight a day].

    Notes
    -----
    DMI = 120 / NDF + (NDFD - 45) 0.374 / 1350 x 100. NaN outside the ranges and where it is not
    above 0.

    References
    ----------
    .. [1] Moore, J.E.; Undersander, D.J., 2002, Relative forage quality: an alternative to
       relative feed value and quality index (from memory, not read; every digit agrees with
       independent public scripts).

    Examples
    --------
    >>> dmi_legume(40.0, 45.0)
    3.0
    """
    above_average = within(ndfd48_pct_ndf, NDFD48_RANGE) - NDFD_REFERENCE
    extra = above_average * NDFD_INTAKE_SLOPE_LB / COW_WEIGHT_LB * 100.0
    return like(ndf_pct_dm, within(dmi_pct_bw(ndf_pct_dm) + extra, POSITIVE))


def dmi_grass(*, cp_pct_dm: N, adf_pct_dm: N, tdn_pct_dm: N) -> N:
    """Dry matter intake of a forage that is mainly grass, as RFQ counts it.

    Parameters
    ----------
    cp_pct_dm, adf_pct_dm, tdn_pct_dm : float or array
        Crude protein [% of DM, 2 to 40], acid detergent fiber [% of DM, 5 to 75], total
        digestible nutrients [% of DM, 0 to 100].

    Returns
    -------
    float or array
        Dry matter intake [% of body weight a day].

    Notes
    -----
    DMI = -2.318 + 0.442 CP - 0.0100 CP^2 - 0.0638 TDN + 0.000922 TDN^2 + 0.180 ADF
    - 0.00196 ADF^2 - 0.00529 CP ADF. It has peaks (CP 14.2 at ADF 30, ADF 29.7 at CP 12): more
    protein or less fiber need not raise it. From feeding trials in the US Southeast. NaN outside
    the ranges and where it is not above 0.

    References
    ----------
    .. [1] Moore, J.E.; Undersander, D.J., 2002, Relative forage quality: an alternative to
       relative feed value and quality index (from memory, not read; every digit agrees with
       independent public scripts).
    .. [2] Undersander, D., n.d., Comparison of relative forage quality (RFQ) to relative feed
       value (RFV).

    Examples
    --------
    >>> round(dmi_grass(cp_pct_dm=16.0, adf_pct_dm=30.0, tdn_pct_dm=65.42743), 3)
    3.063
    """
    cp, adf = within(cp_pct_dm, CP_RANGE), within(adf_pct_dm, ADF_RANGE)
    tdn = within(tdn_pct_dm, PERCENT_RANGE)
    of_cp = DMI_CP * cp + DMI_CP_SQUARED * cp**2
    of_tdn = DMI_TDN * tdn + DMI_TDN_SQUARED * tdn**2
    of_adf = DMI_ADF * adf + DMI_ADF_SQUARED * adf**2
    intake = DMI_INTERCEPT + of_cp + of_tdn + of_adf + DMI_CP_ADF * cp * adf
    return like(cp_pct_dm, within(intake, POSITIVE))


def rfq(
    *,
    cp_pct_dm: N,
    ndf_pct_dm: N,
    ndfd48_pct_ndf: N,
    ee_pct_dm: N,
    ash_pct_dm: N,
    equation: RfqEquation | str,
    adf_pct_dm: N | None = None,
    ndficp_pct_dm: N | None = None,
) -> N:
    """Relative forage quality, on the scale of RFV but with digestible fiber counted.

    Parameters
    ----------
    cp_pct_dm, ndf_pct_dm : float or array
        Crude protein [% of DM, 2 to 40] and neutral detergent fiber [% of DM, 15 to 85].
    ndfd48_pct_ndf : float or array
        NDF digested in vitro in 48 hours [% of NDF, 10 to 95]. RFQ is defined on 48 hours. A
        30-hour value is lower and would pass for poor forage, so there is no argument for it.
    ee_pct_dm, ash_pct_dm : float or array
        Ether extract [% of DM, 0.2 to 15] and ash [% of DM, 1 to 30].
    equation : RfqEquation or str
        Legume (mixtures too) or grass; ValueError for anything else.
    adf_pct_dm : float or array, optional
        Acid detergent fiber [% of DM, 5 to 75, below NDF]. Only the grass equation needs it; the
        legume one runs without (None, or NaN in an element).
    ndficp_pct_dm : float or array, optional
        As for `nitrogen_free_ndf`.

    Returns
    -------
    float or array
        Relative forage quality [-].

    Notes
    -----
    RFQ = DMI TDN / 1.23, both from the equation chosen. NaN where any part is NaN, and where ADF
    is known but out of its range.

    References
    ----------
    .. [1] Undersander, D., 2016, Relative forage quality.

    Examples
    --------
    >>> round(rfq(cp_pct_dm=20.0, ndf_pct_dm=40.0, ndfd48_pct_ndf=45.0, ee_pct_dm=3.0,
    ...           ash_pct_dm=10.0, equation=RfqEquation.LEGUME), 1)
    151.0
    """
    is_grass = RfqEquation(equation) is RfqEquation.GRASS
    adf, ndf = _fiber(np.nan if adf_pct_dm is None else adf_pct_dm, ndf_pct_dm)
    ndfn = nitrogen_free_ndf(ndf, ndficp_pct_dm)
    nfc = nfc_pct_dm(
        ndfn_pct_dm=ndfn, cp_pct_dm=cp_pct_dm, ee_pct_dm=ee_pct_dm, ash_pct_dm=ash_pct_dm
    )
    total = tdn_grass if is_grass else tdn_legume
    tdn = total(
        nfc_pct_dm=nfc,
        cp_pct_dm=cp_pct_dm,
        fa_pct_dm=fatty_acids_pct_dm(ee_pct_dm),
        ndfn_pct_dm=ndfn,
        ndfd48_pct_ndf=ndfd48_pct_ndf,
    )
    if is_grass:
        dmi = dmi_grass(cp_pct_dm=cp_pct_dm, adf_pct_dm=adf, tdn_pct_dm=tdn)
    else:
        dmi = dmi_legume(ndf, ndfd48_pct_ndf)
    return like(cp_pct_dm, dmi * within(tdn, POSITIVE) / RFQ_DIVISOR)


def _fiber(adf_pct_dm: Numbers, ndf_pct_dm: Numbers) -> tuple[FloatArray, FloatArray]:
    """ADF and NDF in range; NDF is refused where a known ADF is out of range or not below it."""
    adf, ndf = within(adf_pct_dm, ADF_RANGE), within(ndf_pct_dm, NDF_RANGE)
    possible = adf < ndf
    usable = possible | np.isnan(adf_pct_dm)
    return np.where(possible, adf, np.nan), np.where(usable, ndf, np.nan)
