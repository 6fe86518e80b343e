from __future__ import annotations

import pytest

from alerts.intake.base import ReadingRules
from alerts.intake.cells import CellFault, Memo, NumberReader, is_formula, plausible
from alerts.intake.readings import READINGS, find_unit


@pytest.mark.parametrize("text", ["=1", "=cmd|' /C calc'!A0", "@SUM(A1)", "+cmd", "-1+2", "--a"])
def test_is_formula_for_what_a_spreadsheet_computes(text: str) -> None:
    # The four starting characters: common practice in guarding against formulas in CSV files
    assert is_formula(text)


@pytest.mark.parametrize("text", ["", "-", "--", "-3", "+3.5", "-3,5", "- wet", "a=1", "7"])
def test_is_formula_leaves_numbers_and_words_alone(text: str) -> None:
    assert not is_formula(text)


def test_memo_reads_each_text_once() -> None:
    asked: list[str] = []

    def read(cell: str) -> int:
        asked.append(cell)
        return int(cell)

    memo = Memo(read)
    assert [memo[cell] for cell in ("7", "8", "7")] == [7, 8, 7]
    assert asked == ["7", "8"]


def test_memo_does_not_remember_a_fault() -> None:
    def read(cell: str) -> int:
        raise CellFault("rfv", f"no {cell}")

    memo = Memo(read)
    for _ in range(2):
        with pytest.raises(CellFault):
            memo["7"]


def number_reader(rules: ReadingRules, name: str, unit: str, mark: str = ".") -> NumberReader:
    reading, found = READINGS[name], find_unit(unit)
    assert found is not None
    return NumberReader("head", reading, found, plausible(reading, rules), mark)


@pytest.mark.parametrize(("mark", "good", "bad"), [(".", "38.2", "38,2"), (",", "38,2", "38.2")])
def test_number_reader_takes_the_decimal_mark_of_its_laboratory(
    rules: ReadingRules, mark: str, good: str, bad: str
) -> None:
    reader = number_reader(rules, "ndf", "% DM", mark)
    assert reader(good) == 38.2
    with pytest.raises(CellFault) as caught:
        reader(bad)
    assert f"write it like {good}" in caught.value.reason


def test_number_reader_keeps_the_digits_of_a_fraction(rules: ReadingRules) -> None:
    assert number_reader(rules, "adf", "fraction DM")("0.29") == 29.0


def test_number_reader_turns_moisture_into_dry_matter(rules: ReadingRules) -> None:
    assert number_reader(rules, "moisture", "% as fed")("78.5") == 21.5


def test_number_reader_takes_a_percent_sign_only_in_percent(rules: ReadingRules) -> None:
    assert number_reader(rules, "ndf", "% DM")("38.2 %") == 38.2
    with pytest.raises(CellFault):
        number_reader(rules, "ndf", "fraction DM")("0.382%")


def test_plausible_range_without_an_entry(rules: ReadingRules) -> None:
    assert plausible(READINGS["ndficp"], rules) == (0.0, 100.0)
    assert plausible(READINGS["rfv"], rules) == (40.0, 400.0)
