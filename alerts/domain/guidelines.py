"""Agronomic numbers with their sources, looked up by dotted name.

The file they come from is ``config/guidelines.toml``; reading it is the work of
``alerts.configfiles``. Here they are only held and asked for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from alerts.domain.errors import ConfigurationError
from alerts.domain.records import Index


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
