"""Total digestible nutrients (TDN) and the parts of the dry matter they are summed from.

Everything is a percentage of dry matter (DM) unless the name says otherwise. No intermediate
value is rounded. The ranges are wide limits of plausibility, our judgement; their lower ends also
catch a fraction (0.40) entered where a percentage (40) is meant. Formulas follow the rule for
refused values in `alerts.agronomy.units`.
"""

from __future__ import annotations

import numpy as np

from alerts.agronomy.units import PERCENT_RANGE, FloatArray, N, Numbers, Range, like, within

ADF_RANGE: Range = (5.0, 75.0)  # [% of DM]
NDF_RANGE: Range = (15.0, 85.0)  # [% of DM]
CP_RANGE: Range = (2.0, 40.0)  # [% of DM]
EE_RANGE: Range = (0.2, 15.0)  # [% of DM]
ASH_RANGE: Range = (1.0, 30.0)  # [% of DM]
NDFD48_RANGE: Range = (10.0, 95.0)  # [% of NDF]

# University of Georgia, n.d., Georgia Forages glossary: total digestible nutrients
NDFN_FACTOR = 0.93  # NDF without its protein, where NDFICP was not measured
TDN_NFC = 0.98
TDN_CP_LEGUME = 0.93
TDN_CP_GRASS = 0.87
TDN_FA = 0.97
FA_ENERGY = 2.25  # energy of fat against that of carbohydrate
TDN_METABOLIC_LEGUME = -7.0
TDN_METABOLIC_GRASS = -10.0
NDFDP_INTERCEPT = 22.7
NDFDP_SLOPE = 0.664

# National Research Council, 2001, Nutrient requirements of dairy cattle (from memory)
NON_FATTY_ACID_EE = 1.0  # wax and pigment in the ether extract [% of DM]


def nitrogen_free_ndf(ndf_pct_dm: N, ndficp_pct_dm: N | None = None) -> N:
    """Neutral detergent fiber without the protein bound in it (NDFn).

    Parameters
    ----------
    ndf_pct_dm : float or array
        Neutral detergent fiber [% of DM, 15 to 85].
    ndficp_pct_dm : float or array, optional
        Crude protein insoluble in neutral detergent [% of DM, 0 to below NDF]; None, or NaN in
        an element, where the laboratory did not report it.

    Returns
    -------
    float or array
        Nitrogen-free NDF [% of DM].

    Notes
    -----
    NDFn = NDF - NDFICP, or 0.93 NDF where NDFICP is unknown. NaN outside the ranges.

    References
    ----------
    .. [1] University of Georgia, n.d., Georgia Forages glossary: total digestible nutrients.

    Examples
    --------
    >>> round(nitrogen_free_ndf(40.0), 2), nitrogen_free_ndf(40.0, 3.0)
    (37.2, 37.0)
    """
    ndf = within(ndf_pct_dm, NDF_RANGE)
    ndficp = np.asarray(np.nan if ndficp_pct_dm is None else ndficp_pct_dm, dtype=np.float64)
    measured = np.where((ndficp >= 0.0) & (ndficp < ndf), ndf - ndficp, np.nan)
    return like(ndf_pct_dm, np.where(np.isnan(ndficp), NDFN_FACTOR * ndf, measured))


def nfc_pct_dm(*, ndfn_pct_dm: N, cp_pct_dm: N, ee_pct_dm: N, ash_pct_dm: N) -> N:
    """Nonfibrous carbohydrate, as what the other parts leave of the dry matter.

    Parameters
    ----------
    ndfn_pct_dm, cp_pct_dm, ee_pct_dm, ash_pct_dm : float or array
        Nitrogen-free NDF [% of DM, 0 to 100], crude protein [% of DM, 2 to 40], ether extract
        [% of DM, 0.2 to 15], ash [% of DM, 1 to 30]. The first is NDFn, not NDF.

    Returns
    -------
    float or array
        Nonfibrous carbohydrate [% of DM].

    Notes
    -----
    NFC = 100 - (NDFn + CP + EE + ash). NaN outside the ranges and where the parts add up to more
    than the whole.

    References
    ----------
    .. [1] University of Georgia, n.d., Georgia Forages glossary: total digestible nutrients.

    Examples
    --------
    >>> round(nfc_pct_dm(ndfn_pct_dm=37.2, cp_pct_dm=20.0, ee_pct_dm=3.0, ash_pct_dm=10.0), 2)
    29.8
    """
    parts = within(ndfn_pct_dm, PERCENT_RANGE) + within(cp_pct_dm, CP_RANGE)
    parts = parts + within(ee_pct_dm, EE_RANGE) + within(ash_pct_dm, ASH_RANGE)
    return like(ndfn_pct_dm, within(100.0 - parts, PERCENT_RANGE))


def fatty_acids_pct_dm(ee_pct_dm: N) -> N:
    """Fatty acids from ether extract (crude fat).

    Parameters
    ----------
    ee_pct_dm : float or array
        Ether extract [% of DM, 0.2 to 15].

    Returns
    -------
    float or array
        Fatty acids [% of DM].

    Notes
    -----
    FA = EE - 1, and 0 where EE is below 1 (from memory). NaN outside the range.

    References
    ----------
    .. [1] National Research Council, 2001, Nutrient requirements of dairy cattle, 7th ed. (from
       memory, not read).

    Examples
    --------
    >>> fatty_acids_pct_dm(3.0), fatty_acids_pct_dm(0.8)
    (2.0, 0.0)
    """
    return like(ee_pct_dm, np.maximum(within(ee_pct_dm, EE_RANGE) - NON_FATTY_ACID_EE, 0.0))


def ndfdp_pct_ndf(ndfd48_pct_ndf: N) -> N:
    """Fiber digestibility that the grass equation uses in place of the laboratory's (NDFDp).

    Parameters
    ----------
    ndfd48_pct_ndf : float or array
        NDF digested in vitro in 48 hours [% of NDF, 10 to 95].

    Returns
    -------
    float or array
        NDFDp [% of NDF].

    Notes
    -----
    NDFDp = 22.7 + 0.664 NDFD. NaN outside the range.

    References
    ----------
    .. [1] University of Georgia, n.d., Georgia Forages glossary: total digestible nutrients.

    Examples
    --------
    >>> round(ndfdp_pct_ndf(60.0), 2)
    62.54
    """
    ndfd = within(ndfd48_pct_ndf, NDFD48_RANGE)
    return like(ndfd48_pct_ndf, NDFDP_INTERCEPT + NDFDP_SLOPE * ndfd)


def tdn_legume(
    *, nfc_pct_dm: N, cp_pct_dm: N, fa_pct_dm: N, ndfn_pct_dm: N, ndfd48_pct_ndf: N
) -> N:
    """Total digestible nutrients of a legume or a legume-grass mixture.

    Parameters
    ----------
    nfc_pct_dm, cp_pct_dm, fa_pct_dm, ndfn_pct_dm : float or array
        Nonfibrous carbohydrate [% of DM, 0 to 100], crude protein [% of DM, 2 to 40], fatty
        acids [% of DM, 0 to 100], nitrogen-free NDF [% of DM, 0 to 100].
    ndfd48_pct_ndf : float or array
        NDF digested in vitro in 48 hours [% of NDF, 10 to 95].

    Returns
    -------
    float or array
        Total digestible nutrients [% of DM].

    Notes
    -----
    TDN = 0.98 NFC + 0.93 CP + 0.97 x 2.25 FA + NDFn NDFD / 100 - 7. NaN outside the ranges.

    References
    ----------
    .. [1] University of Georgia, n.d., Georgia Forages glossary: total digestible nutrients.

    Examples
    --------
    >>> round(tdn_legume(nfc_pct_dm=29.8, cp_pct_dm=20.0, fa_pct_dm=2.0, ndfn_pct_dm=37.2,
    ...                  ndfd48_pct_ndf=45.0), 3)
    61.909
    """
    fiber = within(ndfn_pct_dm, PERCENT_RANGE) * within(ndfd48_pct_ndf, NDFD48_RANGE) / 100.0
    protein = TDN_CP_LEGUME * within(cp_pct_dm, CP_RANGE)
    rest = _digested_nfc_and_fat(nfc_pct_dm, fa_pct_dm)
    return like(nfc_pct_dm, rest + protein + fiber + TDN_METABOLIC_LEGUME)


def tdn_grass(*, nfc_pct_dm: N, cp_pct_dm: N, fa_pct_dm: N, ndfn_pct_dm: N, ndfd48_pct_ndf: N) -> N:
    """Total digestible nutrients of a forage that is mainly grass.

    Parameters
    ----------
    nfc_pct_dm, cp_pct_dm, fa_pct_dm, ndfn_pct_dm, ndfd48_pct_ndf : float or array
        As for `tdn_legume`.

    Returns
    -------
    float or array
        Total digestible nutrients [% of DM].

    Notes
    -----
    TDN = 0.98 NFC + 0.87 CP + 0.97 x 2.25 FA + NDFn NDFDp / 100 - 10, NDFDp from
    `ndfdp_pct_ndf`. NaN outside the ranges.

    References
    ----------
    .. [1] University of Georgia, n.d., Georgia Forages glossary: total digestible nutrients.

    Examples
    --------
    >>> round(tdn_grass(nfc_pct_dm=25.0, cp_pct_dm=16.0, fa_pct_dm=2.5, ndfn_pct_dm=46.5,
    ...                 ndfd48_pct_ndf=68.0), 3)
    65.427
    """
    fiber = within(ndfn_pct_dm, PERCENT_RANGE) * ndfdp_pct_ndf(ndfd48_pct_ndf) / 100.0
    protein = TDN_CP_GRASS * within(cp_pct_dm, CP_RANGE)
    rest = _digested_nfc_and_fat(nfc_pct_dm, fa_pct_dm)
    return like(nfc_pct_dm, rest + protein + fiber + TDN_METABOLIC_GRASS)


def _digested_nfc_and_fat(nfc_pct_dm: Numbers, fa_pct_dm: Numbers) -> FloatArray:
    nfc, fa = within(nfc_pct_dm, PERCENT_RANGE), within(fa_pct_dm, PERCENT_RANGE)
    return TDN_NFC * nfc + TDN_FA * FA_ENERGY * fa
