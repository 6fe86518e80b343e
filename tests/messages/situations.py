"""Farms and turns of events about which messages are written."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from hypothesis import strategies as st

from alerts.domain.decision import Decision, Kind
from alerts.domain.records import HarvestMethod, Index, WhichLoad

MARK = "#K7Q2B"
TODAY = date(2027, 5, 12)
"""A Wednesday."""

LONG = "The upper meadow behind the old stone barn beside the county road, north half, lot 7"
FARMS: dict[str, dict[str, Any]] = {
    "one field": {},
    "three fields": {"farm": "Alder Bottom", "fields": ("Hill Top", "North 40", "Creek Piece")},
    "nine fields": {"farm": "Alder Bottom", "fields": [f"Paddock {n}" for n in range(1, 10)]},
    "long names": {"farm": f"Farm of {LONG}", "fields": [f"{LONG} {n}" for n in range(5)]},
    "accents": {"farm": "Sœur Thérèse Łuczak", "fields": ("Çà et là", "Ó Súilleabháin")},
    "look-alikes": {"farm": "O’Brien – “Home”…", "fields": ("½ section™", "North\u00a040")},
    "doubling look-alikes": {"farm": "™" * 30, "fields": ("®" * 30, "…" * 30)},
    "no letter of ours": {"farm": "草地 🌿 1", "fields": ("東 2",)},
    "two-septet names": {"farm": "€" * 40, "fields": ("[North]" * 9, "|" * 40)},
    "line breaks": {"farm": "Two\nLines", "fields": ("Tab\tbed",)},
    "NDF": {"index": Index.NDF, "fields": ("Barn Field", "Marsh Side")},
    "RFQ": {"index": Index.RFQ},
    "average load": {"which_load": WhichLoad.AVERAGE, "harvest_days": 4.0},
    "half a day": {"harvest_days": 0.5},
    "stands in": {"stands_in": "Far Bottom"},
    "area": {"stands_in": "Linden Hollow", "is_area": True, "area_fields": 4},
}
AREA_WITHOUT_A_VALUE: dict[str, Any] = {"stands_in": "Linden Hollow", "is_area": True}
"""On no day were enough fields of the area sampled."""

NAME_TEXTS = st.text(
    alphabet=st.characters(exclude_categories=["Cs"], exclude_characters="{}"),
    min_size=1,
    max_size=90,
)
"""Whatever somebody may call a farm or a field."""

SETTINGS: dict[str, dict[str, Any]] = {
    "haylage": {},
    "dry hay": {"method": HarvestMethod.DRY_HAY},
    "first text": {"first_text": True},
    "first text of dry hay": {"first_text": True, "method": HarvestMethod.DRY_HAY},
}


def day(offset: int) -> date:
    return TODAY + timedelta(days=offset)


# Each kind as the decision makes it, and the farm's start dates in days from today.
DECISIONS: dict[str, tuple[Decision, tuple[int, int, int]]] = {
    "coming": (Decision(Kind.COMING, day(4)), (1, 4, 9)),
    "moved": (Decision(Kind.MOVED, day(6), was=day(3)), (2, 6, 11)),
    "moved into sight again": (Decision(Kind.MOVED, day(2), was=day(-3)), (-1, 2, 5)),
    "start today": (Decision(Kind.START, TODAY), (-2, 0, 4)),
    "start tomorrow": (Decision(Kind.START, day(1)), (-2, 1, 6)),
    "start with more lead": (Decision(Kind.START, day(3)), (0, 3, 7)),
    "start moved near": (Decision(Kind.START, day(1), was=day(4)), (-2, 1, 6)),
    "late start": (Decision(Kind.START, day(-1)), (-4, -1, 2)),
    "late start moved": (Decision(Kind.START, day(-1), was=day(2)), (-4, -1, 2)),
    "start long late": (Decision(Kind.START, day(-6)), (-9, -6, -3)),
    "past": (Decision(Kind.PAST, day(-3)), (-7, -3, 0)),
}
