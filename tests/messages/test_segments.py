from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.messages.segments import (
    DEFAULT_ALPHABET,
    ESCAPE,
    EXTENSION_TABLE,
    Encoding,
    TextSize,
    clean,
    count,
    is_gsm7,
)

# Sources of the three data files: tests/data/messaging/SOURCES-messages.md
DATA = Path(__file__).parents[1] / "data" / "messaging"
CASES = json.loads((DATA / "segment_cases.json").read_text(encoding="utf-8"))["cases"]
RUNS = {"digits": "1234567890", "seq": "2345678901"}


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def character(code_point: str) -> str:
    return chr(int(code_point.removeprefix("U+"), 16))


def build(steps: list[list[Any]]) -> str:
    return "".join(piece(*step) for step in steps)


def piece(kind: str, *args: str | int) -> str:
    if kind == "text":
        return str(args[0])
    if kind == "repeat":
        return str(args[0]) * int(args[1])
    length = int(args[0])
    return (RUNS[kind] * (length // 10 + 1))[:length]


def test_case_file_holds_all_cases() -> None:
    assert len(CASES) == 54


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_count_matches_published_case(case: dict[str, Any]) -> None:
    expected = TextSize(Encoding(case["encoding"]), case["units"], case["segments"])
    assert count(build(case["build"])) == expected


def test_default_alphabet_matches_table() -> None:
    table = [row for row in rows("gsm0338.csv") if row["table"] in {"default", "escape"}]
    assert len(table) == len(DEFAULT_ALPHABET) == 128
    for row in table:
        expected = character(row["unicode"]) if row["unicode"] else ESCAPE
        assert DEFAULT_ALPHABET[int(row["code_hex"], 16)] == expected, row


def test_extension_table_matches_table() -> None:
    table = {
        character(row["unicode"]): int(row["code_hex"].removeprefix("1B"), 16)
        for row in rows("gsm0338.csv")
        if row["table"] == "extension"
    }
    assert table == EXTENSION_TABLE
    assert len(table) == 10


@pytest.mark.parametrize("row", rows("gsm0338.csv"), ids=lambda row: row["code_hex"])
def test_character_of_the_alphabet_stays_and_costs_its_septets(row: dict[str, str]) -> None:
    if row["table"] == "escape":
        assert not is_gsm7(ESCAPE)
        return
    char = character(row["unicode"])
    assert clean(char) == char
    assert count(char) == TextSize(Encoding.GSM_7, int(row["septets"]), 1)


@pytest.mark.parametrize("row", rows("sms_replacements.csv"), ids=lambda row: row["unicode"])
def test_clean_exchanges_look_alike(row: dict[str, str]) -> None:
    assert clean(character(row["unicode"])) == row["replacement"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Josée Peña, Løvås", "Josée Peña, Løvås"),  # all in the alphabet
        ("Jose\u0301", "José"),  # e and a combining acute are composed first
        ("Jiří Dvořák", "Jiri Dvorak"),
        ("Zając Ł. & Œuf", "Zajac L. & OEuf"),
        ("2½ inches, ⅓ left", "2 1/2 inches, 1/3 left"),  # not 21/2
        ("86 °F or 30°C", "86 degF or 30 degC"),
        ("wait–don’t “cut”…", 'wait-don\'t "cut"...'),
        ("low\u2003field", "low field"),
        ("first\r\nsecond\tthird", "first\r\nsecond third"),
        ("soft\u00adhyphen", "softhyphen"),
        ("🌿 go", "? go"),
        ("☀️", "?"),  # sun and its variation selector, which has no look of its own
        ("草地", "??"),
        ("\x00\x1b", "??"),
        ("\ud800", "?"),  # a lone surrogate, as a broken upload may hold
        ("", ""),
    ],
)
def test_clean_writes_the_nearest_text(text: str, expected: str) -> None:
    assert clean(text) == expected


def test_clean_brings_a_degree_sign_text_back_to_one_part() -> None:
    text = "Start May 28 (26-30). " + "x" * 80 + " 30°C on Friday."
    assert count(text).parts == 2
    assert count(clean(text)) == TextSize(Encoding.GSM_7, len(text) + 3, 1)  # "°" becomes " deg"


@given(st.text())
def test_clean_output_is_gsm7(text: str) -> None:
    assert is_gsm7(clean(text))


@given(st.text())
def test_clean_twice_changes_nothing_more(text: str) -> None:
    assert clean(clean(text)) == clean(text)


@given(st.text(alphabet=[c for c in DEFAULT_ALPHABET if c != ESCAPE] + list(EXTENSION_TABLE)))
def test_clean_leaves_gsm7_text_alone(text: str) -> None:
    assert clean(text) == text


@given(st.text(alphabet="a€", max_size=700))
def test_parts_hold_every_septet_without_splitting_a_pair(text: str) -> None:
    size = count(text)
    assert size.units == len(text) + text.count("€")
    if size.units <= 160:
        assert size.parts == (1 if text else 0)
    else:  # each part but the last holds 153, or 152 when a pair would straddle its end
        assert -(-size.units // 153) <= size.parts <= -(-size.units // 152)
