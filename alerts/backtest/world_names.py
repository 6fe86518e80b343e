"""The worlds by name, apart from what makes them: every command lists them."""

from __future__ import annotations

from enum import StrEnum


class World(StrEnum):
    """What the simulated crops and laboratories do."""

    RIGHT = "right"  # what the model assumes, weather that the calendar does not know included
    STEADY = "steady"  # no weather: the calendar is the clock
    CURVED = "curved"  # the decline slows or speeds up by up to 40 % over the span
    HEAT_WAVE = "heat_wave"  # three to five days at double pace
    OUTLIERS = "outliers"  # one result in twenty is off by 4 to 8 standard deviations
    BIASED_LAB = "biased_lab"  # half of the series read 8 RFV points higher
    UNLIKE_FIELDS = "unlike_fields"  # fields differ by several times what was published
