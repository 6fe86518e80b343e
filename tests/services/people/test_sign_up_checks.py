"""What the open form refuses before anything is sent."""

from __future__ import annotations

import pytest

from alerts.services.people.sign_up_checks import advertises


@pytest.mark.parametrize(
    "name",
    [
        *("bit.dev/x win", "free-cash.ru", "evil.cc/1", "evil[.]com", "evil (.) com", "t.me"),
        *("ｅｖｉｌ．ｃｃ", "evil。cc", "ev\u200bil.cc", "evil dot com", "163.com", "x.co"),
        *("PAY 202-555-0143", "Call 800 555 0143 free", "(202) 555.0143", "２０２５５５０１４３"),
        *("203.0.113", "me@home", "a/b", "http:evil", "St.Johns"),
    ],
)
def test_what_a_phone_would_make_a_link_or_a_number_of_is_refused(name: str) -> None:
    assert advertises(name)


@pytest.mark.parametrize(
    "name",
    [
        *("St. John's", "J.R. Acres", "No. 12 & 14", "Co-op 100", "Info"),
        *("1.5 Mile", "Señor Núñez & Sons", "80 & 160", "Highway 151", "½ Circle", "Ek, B."),
        *("Old #3 (creek)", "Est. 1998", "D. Coleman"),
    ],
)
def test_names_that_farms_have_are_taken(name: str) -> None:
    assert not advertises(name)
