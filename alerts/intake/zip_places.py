"""Where a ZIP code of the United States lies, as near as its centre tells.

The table is that of the `zipcodes` package; it is read on the first question, since it takes a
moment and most runs ask none.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

ZIP = re.compile(r"[0-9]{5}(-[0-9]{4})?")


@dataclass(frozen=True, slots=True)
class ZipPlace:
    """The middle of a delivery area: miles off a given field."""

    zip: str
    latitude: float  # degrees north
    longitude: float  # degrees east
    time_zone: str  # IANA name, "" where the table has none
    town: str
    county: str
    state: str


def find_zip(code: str) -> ZipPlace | None:
    """The place of a five-digit ZIP code; None when there is no such code, or no place for it.

    ValueError when ``code`` is not five digits, or nine written 12345-6789.
    """
    if not ZIP.fullmatch(code):
        raise ValueError("a ZIP code has five digits")
    import zipcodes

    found = zipcodes.matching(code[:5])  # type: ignore[no-untyped-call]
    if not found or not (found[0]["lat"] and found[0]["long"]):
        return None
    first = found[0]
    return ZipPlace(
        zip=code[:5],
        latitude=float(first["lat"]),
        longitude=float(first["long"]),
        time_zone=first["timezone"] or "",
        town=first["city"],
        county=first["county"] or "",
        state=first["state"],
    )
