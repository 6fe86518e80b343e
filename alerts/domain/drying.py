"""What a rain forecast says about drying a cut crop: one day to start on, and a few words.

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

import math
from collections.abc import Sequence
from datetime import date

CHANCE_LIMIT_PCT = 30.0  # from 30 % on the Weather Service speaks of a chance of rain (from memory)
# Sheaffer, Drewitz, Goplen, 2022, Managing risk at the first alfalfa harvest, counts a day as rainy
# above 0.04 in; rounded up
RAIN_LIMIT_IN = 0.05
NOTABLE_PCT = 50.0
LIKELY_PCT = 60  # from 60 % on the Weather Service calls rain likely, below that a chance of it
DAYS_OF_A_WEEK = 7  # beyond, the name of a weekday would mislead
_STEP_PCT = 10
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


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


def rain_phrase(
    days: Sequence[date],
    chances: Sequence[float | None],
    days_needed: int | None = None,
    notable_pct: float = NOTABLE_PCT,
) -> str:
    """A few words on rain for the end of a text, or "" when there is nothing notable.

    Parameters
    ----------
    days : consecutive days, from the one on which cutting would start
    chances : chance of rain on each [%, 0 to 100]; None where nobody said
    days_needed : look no further than a crop cut on the first day lies in the field [1 or more];
        None: look at all days, a week at most
    notable_pct : chances from here on are worth a word [%]

    Returns
    -------
    The first notable day and, where a later one is wetter, the wettest, with chances in tens as a
    forecast is read: "rain likely Fri 70%", "chance of rain Fri 50%, Sun 60%". Silence may also
    mean that no forecast is known; it promises nothing.

    Raises ValueError for as many chances as days not given.

    Examples
    --------
    >>> rain_phrase([date(2026, 5, 14), date(2026, 5, 15)], [20.0, 68.0])
    'rain likely Fri 70%'
    """
    last = DAYS_OF_A_WEEK if days_needed is None else min(days_needed, DAYS_OF_A_WEEK)
    forecast = list(zip(days, chances, strict=True))[:last]
    notable = [
        (day, _in_tens(chance))
        for day, chance in forecast
        if chance is not None and chance >= notable_pct
    ]
    if not notable:
        return ""
    first = notable[0]
    wettest = max(notable, key=lambda each: each[1])  # the first of several
    told = [first] if wettest == first else [first, wettest]
    word = "rain likely" if first[1] >= LIKELY_PCT else "chance of rain"
    return f"{word} " + ", ".join(f"{_WEEKDAYS[day.weekday()]} {pct}%" for day, pct in told)


def _is_dry(
    chance: float | None, amount: float | None, chance_limit: float, rain_limit: float
) -> bool:
    if chance is None and amount is None:
        return False
    return (chance is None or chance < chance_limit) and (amount is None or amount < rain_limit)


def _in_tens(chance_pct: float) -> int:
    """Nearest ten, halves upwards, as chances are forecast."""
    return math.floor(chance_pct / _STEP_PCT + 1 / 2) * _STEP_PCT
