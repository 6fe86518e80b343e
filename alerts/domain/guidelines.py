"""Agronomic numbers with their sources, looked up by dotted name.

The file they come from is ``config/guidelines.toml``; reading it is the work of
``alerts.configfiles``. Here they are only held and asked for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from alerts.domain.errors import ConfigurationError
from alerts.domain.records import HarvestMethod, Index

CUTTINGS = ("first", "second", "later")
STANDS = ("alfalfa", "mixed", "grass")
READINGS = ("wet", "nir", "stem_mean", "stem_one_spot")

_AT_A_LEVEL = (
    *(f"daily_change.{cutting}.{stand}" for cutting in CUTTINGS for stand in STANDS),
    *(f"result_sd.{reading}" for reading in READINGS),
    "visit_sd.any",
    "area_level",
    "field_level",
    "other_index",
    "other_index_sd",
)
_LOSSES = tuple(f"handling_loss.{method}" for method in HarvestMethod)

_STAND_OFFSETS = (
    "grass_ndf_per_pct",
    "light_soil_days",
    "south_slope_days",
    "north_slope_days",
)
_CLOCK = (
    "degree_days_per_day",
    "pace_sd",
    "pace_autocorrelation",
    "bend_sd",
    "ndf_at_degree_days",
    "ndf_at_degree_days_sd",
)
_SAMPLING = (
    "first_ahead_days",
    "first_from_day_of_year",
    "first_until_day_of_year",
    "results_take_days",
)

NEEDED = (
    *(f"{group}.{index}" for group in (*_AT_A_LEVEL, *_LOSSES) for index in Index),
    "result_sd_factor.late_in_day",
    "result_sd_factor.stem_regrowth",
    "equations.grass_from_pct",
    "equations.printed_difference",
    "alerts.moved_days",
    "alerts.start_lead_days",
    "alerts.stale_days",
    "alerts.fields_for_area",
    *(f"sampling.{name}" for name in _SAMPLING),
    "rate_share.area",
    "rate_share.field",
    "yield.gain_lb_per_acre_day",
    "fall.caution_from_day_of_year",
    *(f"drying_days.{method}" for method in HarvestMethod),
    *(f"stand_offset.{name}" for name in _STAND_OFFSETS),
    *(f"clock.{name}" for name in _CLOCK),
)
"""Entries without which some farm could not be evaluated."""

NEEDED_AT = frozenset(f"{group}.{index}" for group in _AT_A_LEVEL for index in Index if index.falls)
"""Entries that mean nothing without ``at``: a point of RFV is not the same step at every level."""


@dataclass(frozen=True, slots=True)
class Guideline:
    """One number: its unit, the range an operator may set it in, and where it is from."""

    name: str
    value: float
    unit: str
    low: float
    high: float
    origin: str  # "author, year, title", or the reason of a judgement
    is_judgement: bool
    spread: float | None = None  # one standard deviation
    at: float | None = None  # index level at which the value holds


class GuidelineSet:
    """All entries of one guidelines file."""

    def __init__(self, entries: Mapping[str, Guideline], file: str) -> None:
        self._entries = dict(entries)
        self._file = file

    def __iter__(self) -> Iterator[Guideline]:
        return iter(self._entries.values())

    def get(self, name: str) -> Guideline | None:
        """The entry called ``name``, or None where the file has none."""
        return self._entries.get(name)

    def __getitem__(self, name: str) -> Guideline:
        try:
            return self._entries[name]
        except KeyError:
            raise ConfigurationError(
                f"{self._file} has no entry '{name}'; copy it from the shipped guidelines.toml"
            ) from None

    def check(self) -> None:
        """ConfigurationError when an entry that the evaluation relies on is missing or unusable.

        Found when the file is read, so that no area is left without its messages later.
        """
        for name in NEEDED:
            entry = self[name]
            if name in NEEDED_AT and entry.at is None:
                raise ConfigurationError(
                    f"{self._file}: {name}: says no 'at'; add the index level its value holds at"
                )

    def value(self, name: str) -> float:
        return self[name].value

    def animal_classes(self) -> tuple[str, ...]:
        """Classes of animal with a feed target, in file order."""
        names = [n.split(".")[1] for n in self._entries if n.startswith("feed_target.")]
        return tuple(dict.fromkeys(names))

    def feed_target(self, animal_class: str, index: Index) -> float | None:
        """Default quality wanted in storage; None where nobody published one."""
        found = self.get(f"feed_target.{animal_class}.{index}")
        return None if found is None else found.value

    def limits(self) -> dict[str, tuple[float, float]]:
        """Plausible range of each reading, by the name it has in ``Readings``."""
        return {
            g.name.removeprefix("plausible."): (g.low, g.high)
            for g in self
            if g.name.startswith("plausible.")
        }
