from __future__ import annotations

import codecs
import json

import pytest

from alerts.services.people.redaction import Redaction, redaction

PHONE = "+12025550143"


def words(*farms: str) -> Redaction:
    return redaction(["Ana O'Neil-Peña"], [PHONE], ["ana@example.org"], farms)


@pytest.mark.parametrize(
    "text",
    [
        "Ana O'Neil-Peña",
        "ANA  O'NEIL-PEÑA",
        "for ana\to'neil-peña, thanks",
        "Ana O&#39;Neil-Peña",
        json.dumps("Ana O'Neil-Peña"),
        "ANA@Example.org",
        "+12025550143",
        "1 (202) 555-0143",
        "(202) 555-0143",
        "202.555.0143",
        "2025550143",
        "tel:+1-202-555-0143.",
    ],
)
def test_name_and_addresses_are_found_however_they_are_written(text: str) -> None:
    assert words().holds(text)
    assert not words().holds(words().without(text))


@pytest.mark.parametrize(
    "text", ["Juana O'Neil-Peñas", "Ana", "banana@example.org", "12025550143999", "2025550144", ""]
)
def test_what_is_not_theirs_stays(text: str) -> None:
    assert words().without(text) == text


def test_farm_is_taken_out_only_where_it_can_mean_theirs() -> None:
    assert words("North").without("Go North") == "Go North"
    assert words("North").without("North, Northern", farms=True) == "(removed), Northern"


def test_nothing_to_take_out_takes_nothing_out() -> None:
    assert redaction([], [], [], []).without("anything at all", farms=True) == "anything at all"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_lines_of_others_stay_as_they_are_in_any_encoding(encoding: str, ending: str) -> None:
    lines = ["farm,name", "North,Ana O'Neil-Peña", "North,Zoë", "South,Zoë"]
    content = ending.join([*lines, ""]).encode(encoding)
    after = words("North").in_file(content, {4})
    expected = [lines[0], "(removed),(removed)", lines[2], lines[3]]
    assert after == ending.join([*expected, ""]).encode(encoding)


def test_rows_named_by_their_line_lose_the_farm() -> None:
    after = words("North").in_file(b"farm\nNorth\nNorth\n", {3})
    assert after == b"farm\nNorth\n(removed)\n"


def test_json_is_cleaned_as_a_whole_and_stays_json() -> None:
    content = json.dumps([{"farm": "Peña Norte"}, {"farm": "South"}]).encode()
    after = words("Peña Norte").in_file(content, {1})
    assert json.loads(after) == [{"farm": "(removed)"}, {"farm": "South"}]


@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00", codecs.BOM_UTF8, bytes(range(256))])
def test_any_bytes_come_back(content: bytes) -> None:
    assert words("North").in_file(content, {1}) == content
