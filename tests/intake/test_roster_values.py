from __future__ import annotations

import pytest

from alerts.intake import roster_values as values


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("(202) 555-0143", "+12025550143"),
        ("202.555.0143", "+12025550143"),
        ("1-202-555-0143", "+12025550143"),
        ("+12025550143", "+12025550143"),
        ("+44 20 7946 0018", "+442079460018"),  # a number set aside for drama, from memory
        ("011 44 20 7946 0018", "+442079460018"),
    ],
)
def test_phone_is_read_as_e164(text: str, expected: str) -> None:
    assert values.phone(text) == expected


@pytest.mark.parametrize(
    "text",
    [
        "555-0143",  # local: no area code
        "2.02556E+09",  # what a spreadsheet makes of a number column
        "2025550143.0",
        "202-555-0143 ext 12",
        "call Ida",
        "123-456-7890",  # no area code begins with 1: North American Numbering Plan, from memory
        "+1 202 155 0143",
        "+",
    ],
)
def test_phone_that_cannot_be_texted_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="area code"):
        values.phone(text)


@pytest.mark.parametrize("text", ["ida@example.org", "ida.marlow+hay@mail.example.org"])
def test_email_at_an_example_domain_is_read(text: str) -> None:
    assert values.email(text) == text


def test_email_at_an_international_domain_is_kept_as_mail_servers_know_it() -> None:
    # The usual example of the ASCII form of a domain (RFC 3492), from memory.
    assert values.email("ida@bücher.example.org") == "ida@xn--bcher-kva.example.org"


@pytest.mark.parametrize(
    "text",
    ["ida", "ida@", "ida @example.org", "Ida <ida@example.org>", "ida@example", "íd@example.org"],
)
def test_email_no_mail_server_would_take_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="no email address"):
        values.email(text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("America/Chicago", "America/Chicago"),
        ("america/new york", "America/New_York"),
        ("America/Indiana/Knox", "America/Indiana/Knox"),
        ("US/Central", "US/Central"),
    ],
)
def test_time_zone_is_read_in_any_case(text: str, expected: str) -> None:
    assert values.time_zone(text) == expected


@pytest.mark.parametrize("text", ["EST", "CST6CDT", "Etc/GMT+5", "Central", "America/Chigaco"])
def test_time_zone_that_is_no_place_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="no known time zone"):
        values.time_zone(text)


def test_names_lose_blanks_and_empty_ones() -> None:
    assert values.names(" L40 | Forty || ") == ("L40", "Forty")


def test_nearest_finds_a_misspelling_only() -> None:
    assert values.nearest("harvst_days", ["harvest_days", "acres"]) == "harvest_days"
    assert values.nearest("gate_code", ["harvest_days", "acres"]) == ""
