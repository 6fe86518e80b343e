from __future__ import annotations

from datetime import date

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


@pytest.mark.parametrize(
    "text",
    [
        *("2027-03-20", "2027/03/20", "2027-3-20", "3/20/2027", "03/20/2027", "20.03.2027"),
        *("20-Mar-2027", "20 March 2027", "Mar 20, 2027", "MARCH 20 2027", "Mar. 20, 2027"),
    ],
)
def test_day_is_read_where_it_has_one_meaning(text: str) -> None:
    """As spreadsheets set to English show March 20 (common practice)."""
    assert values.day(text) == date(2027, 3, 20)


def test_day_whose_number_is_its_months_has_one_meaning() -> None:
    assert values.day("4/4/2027") == date(2027, 4, 4)


def test_day_with_two_meanings_is_refused_with_both() -> None:
    with pytest.raises(ValueError, match="may be 2027-03-04 or 2027-04-03; write it year first"):
        values.day("3/4/2027")


@pytest.mark.parametrize(
    "text",
    [
        *("20-Mar-27", "3/20/27", "20/20/2027", "2/30/2027", "31-Feb-2027", "20-Mrz-2027"),
        *("2027-03/20", "20 M 2027", "0/20/2027", "46101", "March 2027", "soon"),
    ],
)
def test_day_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is no date; write it year first"):
        values.day(text)


@pytest.mark.parametrize(
    ("text", "near"),
    [
        ("milking cow", "milking_cows"),
        ("Heifers", "heifers_to_one_year or bred_heifers"),
        ("bred heifer", "bred_heifers"),
    ],
)
def test_class_of_animal_close_to_a_known_one_is_hinted_at(text: str, near: str) -> None:
    read = values.one_of_names(("milking_cows", "heifers_to_one_year", "bred_heifers"), "class")
    with pytest.raises(ValueError, match=rf"did you mean {near}\? If not, give one of milking"):
        read(text)
