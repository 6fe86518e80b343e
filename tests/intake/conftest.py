"""What the tests of the readers share: rules of an invented season, and the shipped lab maps."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from alerts.domain.records import ParsedDocument
from alerts.intake.base import RawDocument, ReadingRules
from alerts.intake.labmap import LabMap, load_lab_maps
from alerts.intake.parse import read_document

ROOT = Path(__file__).parents[2]


@pytest.fixture
def lab_files() -> Path:
    return ROOT / "tests" / "data" / "labs"


@pytest.fixture(scope="session")
def lab_maps() -> tuple[LabMap, ...]:
    return load_lab_maps(ROOT / "config" / "labs")


@pytest.fixture(scope="session")
def rules() -> ReadingRules:
    limits = {
        "cp_pct_dm": (3.0, 40.0),
        "adf_pct_dm": (10.0, 65.0),
        "ndf_pct_dm": (15.0, 85.0),
        "ndfd48_pct_ndf": (25.0, 90.0),
        "ee_pct_dm": (0.5, 8.0),
        "ash_pct_dm": (3.0, 25.0),
        "dm_pct": (5.0, 100.0),
        "rfv": (40.0, 400.0),
        "rfq": (40.0, 400.0),
        "height_in": (4.0, 60.0),
    }
    return ReadingRules(today=date(2031, 6, 1), season_first_day=date(2031, 3, 1), limits=limits)


@pytest.fixture(scope="session")
def read(lab_maps: tuple[LabMap, ...], rules: ReadingRules) -> Callable[..., ParsedDocument]:
    """Read a document given as text or bytes, under the rules and maps above."""

    def read_content(content: str | bytes, lab: str = "") -> ParsedDocument:
        raw = content.encode() if isinstance(content, str) else content
        return read_document(RawDocument("results.csv", raw, "test", lab), lab_maps, rules)

    return read_content
