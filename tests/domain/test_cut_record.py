from __future__ import annotations

import pytest

from alerts.domain.cut_record import KnownAtCut


@pytest.mark.parametrize(
    ("index", "expected", "known"),
    [("rfv", 770.0, False), ("rfv", 190.0, True), ("ndf", 38.0, True), ("ndf", 9.0, False)],
)
def test_quality_that_no_forage_has_is_not_known(index: str, expected: float, known: bool) -> None:
    said = KnownAtCut(
        index=index, expected=expected, expected_low=expected, expected_high=expected, results=2
    )
    read = KnownAtCut.of_json(said.as_json())
    assert (read.expected == expected) is known
    assert (read.expected_low is None, read.expected_high is None) == (not known, not known)
    assert read.results == 2


def test_range_that_reaches_too_far_takes_the_middle_along() -> None:
    said = KnownAtCut(index="rfq", expected=380.0, expected_low=300.0, expected_high=520.0)
    assert KnownAtCut.of_json(said.as_json()).expected is None
