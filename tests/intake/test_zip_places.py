from __future__ import annotations

import pytest

from alerts.intake.zip_places import find_zip


def test_zip_is_found_with_its_town_and_zone() -> None:
    """82801 is Sheridan in Wyoming, at about 44.8 N 107.0 W (gazetteer of the United States Census
    Bureau, from memory)."""
    place = find_zip("82801")
    assert place is not None
    assert (place.zip, place.town, place.state) == ("82801", "Sheridan", "WY")
    assert place.time_zone == "America/Denver"
    assert (place.latitude, place.longitude) == (
        pytest.approx(44.8, abs=0.5),
        pytest.approx(-107.0, abs=0.5),
    )
    assert find_zip("82801-1234") == place


def test_code_that_nobody_has_is_no_place() -> None:
    assert find_zip("00000") is None


@pytest.mark.parametrize(
    "code", ["", "1234", "123456", "ABCDE", "82801-12", " 82801", "٨٢٨٠١", "８２８０１"]
)
def test_what_is_no_code_is_an_error(code: str) -> None:
    with pytest.raises(ValueError, match="five digits"):
        find_zip(code)
