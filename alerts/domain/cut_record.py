"""What was known of a field when it was cut, so that the season can be looked back at.

Kept as JSON beside the cut; an entry a cut of an older release lacks reads as "not known".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from datetime import date
from math import inf

_DAYS = frozenset(
    {
        "told_start",
        "told_field_start",
        "told_on",
        "first_told_on",
        "outlook_on",
        "start_p10",
        "start_median",
        "start_p90",
        "farm_start_p10",
        "farm_start_median",
        "farm_start_p90",
        "last_on",
    }
)


PLAUSIBLE = {"rfv": (40.0, 400.0), "rfq": (40.0, 400.0), "ndf": (15.0, 85.0)}
"""What a standing crop may be expected to have [index points; % of DM for NDF]: forages on record,
our judgement."""


@dataclass(frozen=True, slots=True)
class KnownAtCut:
    """What the farmer had been told by the day of the cut, and the outlook as it stood.

    Qualities are standing crop in ``index`` [index points; % of DM for NDF].
    """

    index: str = ""
    standing_target: float | None = None
    which_load: str = ""  # the share of the harvest that had to meet the target
    harvest_days: float | None = None  # length of the farm's harvest [d]

    told_start: date | None = None  # start date of the farm, as last told
    told_field_start: date | None = None  # the field's own latest start, told with it
    told_on: date | None = None
    first_told_on: date | None = None  # when the farmer first heard of this cutting's date
    told_kind: str = ""
    told_position: int | None = None  # in the harvest order told, 0 = first

    outlook_on: date | None = None  # local day on which the outlook was made
    outlook_is_later: bool = False  # made after the cut: the cut was recorded late
    start_p10: date | None = None
    start_median: date | None = None
    start_p90: date | None = None
    farm_start_p10: date | None = None
    farm_start_median: date | None = None
    farm_start_p90: date | None = None
    expected: float | None = None  # standing quality on the day of the cut: median, 80 % range
    expected_low: float | None = None
    expected_high: float | None = None

    results: int = 0  # the field's own up to the cut, in any index
    last_on: date | None = None  # newest of them; else of whose results stood in
    last_value: float | None = None
    last_index: str = ""
    stands_in: str = ""  # the field or area whose result it is; "" for the field's own

    def as_json(self) -> dict[str, object]:
        """Plain values; days in ISO 8601."""
        return {
            name: value.isoformat() if isinstance(value, date) else value
            for name, value in asdict(self).items()
        }

    @classmethod
    def of_json(cls, said: Mapping[str, object]) -> KnownAtCut:
        """Read :meth:`as_json` back; what is not said keeps its default."""
        known = {field.name for field in fields(cls)}
        values = {
            name: date.fromisoformat(value) if name in _DAYS and isinstance(value, str) else value
            for name, value in said.items()
            if name in known
        }
        return cls(**values)._plausible()  # type: ignore[arg-type]

    def _plausible(self) -> KnownAtCut:
        """Without an expected quality that no forage has: it was reckoned back too far."""
        low, high = PLAUSIBLE.get(self.index, (-inf, inf))
        said = (self.expected, self.expected_low, self.expected_high)
        if all(one is None or low <= one <= high for one in said):
            return self
        return replace(self, expected=None, expected_low=None, expected_high=None)
