"""What a rain forecast says about drying a cut crop: one day to start on.

A forecast is all this is: it knows nothing of soil, dew, wind or the width of the swath. Whether
to wait for weather or to cut and risk rain stays the grower's decision, and both cost: waiting
lets quality fall, and rain on a cut crop takes dry matter and leaves. Nothing here says cut or
do not cut.

How many days without rain are needed depends on how the crop is harvested and comes in as an
argument. Published: about one for haylage (Kilcer, T., 2010, Wide swath hay makes more milk: the
same day from a wide swath; Progressive Forage, n.d., Optimize forage NDF with proper cut timing:
about 24 hours); two to four or more for dry hay (Diaz, F., n.d., Harvesting high quality alfalfa
hay), and five to ten for a heavy early crop (Oklahoma State University, n.d., Alfalfa questions
and answers). No source gives baleage its own; two lies between (our judgement).
"""

from __future__ import annotations

from collections.abc import Sequence

CHANCE_LIMIT_PCT = 30.0  # from 30 % on the Weather Service speaks of a chance of rain (from memory)
# Sheaffer, Drewitz, Goplen, 2022, Managing risk at the first alfalfa harvest, counts a day as rainy
# above 0.04 in; rounded up
RAIN_LIMIT_IN = 0.05


def dry_run(
    rain_chance_pct: Sequence[float | None],
    rain_in: Sequence[float | None],
    days_needed: int,
    chance_limit: float = CHANCE_LIMIT_PCT,
    rain_limit: float = RAIN_LIMIT_IN,
) -> int | None:
    """Place of the first day that starts a run of rain-free days long enough to dry the crop.

    Parameters
    ----------
    rain_chance_pct, rain_in : chance [%] and amount [in] of rain for consecutive days; None where
        nobody said
    days_needed : days without rain the harvest method needs, the day of cutting included
        [1 or more]
    chance_limit : a day is rain-free while its chance is below this [%]
    rain_limit : and its amount is below this [in]

    Returns
    -------
    0 for the first day, and so on; None when no such run is in sight. That may be for want of a
    forecast: a day of which neither chance nor amount is known is not taken for a dry one, and one
    of which only one is known is judged by that.

    Raises ValueError for less than one day needed, or as many chances as amounts not given.

    Examples
    --------
    >>> dry_run([10.0, 70.0, 20.0, 0.0], [0.0, 0.4, 0.0, None], days_needed=2)
    2
    """
    if days_needed < 1:
        raise ValueError(f"{days_needed} days cannot dry a crop: at least 1 is needed")
    run = 0
    for place, (chance, amount) in enumerate(zip(rain_chance_pct, rain_in, strict=True)):
        run = run + 1 if _is_dry(chance, amount, chance_limit, rain_limit) else 0
        if run == days_needed:
            return place - days_needed + 1
    return None


def _is_dry(
    chance: float | None, amount: float | None, chance_limit: float, rain_limit: float
) -> bool:
    if chance is None and amount is None:
        return False
    return (chance is None or chance < chance_limit) and (amount is None or amount < rain_limit)
