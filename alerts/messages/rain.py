"""Rain in the forecast as a few words at the end of a text, in the language of who reads it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

from alerts.messages.wording import ENGLISH, Wording

NOTABLE_PCT = 50.0
LIKELY_PCT = 60  # from 60 % on the Weather Service calls rain likely, below that a chance of it
DAYS_OF_A_WEEK = 7  # beyond, the name of a weekday would mislead
_STEP_PCT = 10


def rain_words(
    days: Sequence[date],
    chances: Sequence[float | None],
    days_needed: int | None = None,
    words: Wording = ENGLISH,
) -> str:
    """'rain likely Fri 70%', 'chance of rain Fri 50%, Sun 60%', "" where nothing is notable.

    ``days`` follow one another from the one on which cutting would start, ``chances`` [%, 0 to 100]
    belong to them, None where nobody said. Days are looked at while a crop cut on the first lies
    in the field, a week at most. Told are the first notable day and, where a later one is wetter,
    the wettest, with chances in tens as a forecast is read.

    Raises ValueError for as many chances as days not given.
    """
    last = DAYS_OF_A_WEEK if days_needed is None else min(days_needed, DAYS_OF_A_WEEK)
    notable = [
        (day, _in_tens(chance))
        for day, chance in list(zip(days, chances, strict=True))[:last]
        if chance is not None and chance >= NOTABLE_PCT
    ]
    if not notable:
        return ""
    first, wettest = notable[0], max(notable, key=lambda each: each[1])
    told = [first] if wettest == first else [first, wettest]
    listed = ", ".join(
        words.say("rain.day", weekday=words.weekday(day), percent=pct) for day, pct in told
    )
    return words.say("rain.likely" if first[1] >= LIKELY_PCT else "rain.chance", days=listed)


def _in_tens(chance_pct: float) -> int:
    """Nearest ten, halves upwards, as chances are forecast."""
    return math.floor(chance_pct / _STEP_PCT + 1 / 2) * _STEP_PCT
