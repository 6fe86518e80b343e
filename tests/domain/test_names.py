from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.domain.names import name_key


@pytest.mark.parametrize(
    "spelling",
    [
        "North 40 Creek",
        "north-40 (creek)",
        "  NORTH_40.CREEK ",
        "North\u00a040\tCreek",  # no-break space and tab, as spreadsheets leave them
        "Ｎｏｒｔｈ ４０ Ｃｒｅｅｋ",  # full-width letters
        "North – 40 – Creek",
    ],
)
def test_name_key_does_not_see_case_spaces_and_punctuation(spelling: str) -> None:
    assert name_key(spelling) == "north 40 creek"


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Müller Süd", "Mu\u0308ller Su\u0308d"),  # composed and decomposed (Unicode, annex 15)
        ("Groß", "GROSS"),  # case folding (Unicode, chapter 5.18)
        ("Ångström", "Ångström"),
    ],
)
def test_name_key_joins_spellings_of_one_word(one: str, other: str) -> None:
    assert name_key(one) == name_key(other)


@pytest.mark.parametrize(
    ("one", "other"),
    [("North 40", "North 4"), ("North 40", "North40"), ("Creek", "Creek 2"), ("Müller", "Muller")],
)
def test_name_key_keeps_different_names_apart(one: str, other: str) -> None:
    assert name_key(one) != name_key(other)


@pytest.mark.parametrize("name", ["", "   ", "--", "(_)"])
def test_name_of_nothing_but_punctuation_has_an_empty_key(name: str) -> None:
    assert name_key(name) == ""


@settings(deadline=None)
@given(st.text(max_size=40))
def test_name_key_of_a_key_is_the_key(name: str) -> None:
    key = name_key(name)
    assert name_key(key) == key
    assert key == key.strip()
    assert "  " not in key
