from __future__ import annotations

import dataclasses

import pytest

from alerts.domain.errors import UnreadableDocument
from alerts.intake.base import RawDocument, ReadingRules
from alerts.intake.table import Findings, Header, Table, check_names, open_table

Rows = list[tuple[int, list[str]]]


def opened(text: str, rules: ReadingRules) -> Table:
    return open_table(RawDocument("a.csv", text.encode(), "test"), rules)


def rows_of(text: str, rules: ReadingRules, never_empty: int = 0) -> tuple[Rows, Findings]:
    table, findings = opened(text, rules), Findings()
    return list(table.rows(table.head()[0], never_empty, findings)), findings


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_rows_for_each_delimiter_and_line_end(
    rules: ReadingRules, delimiter: str, line_end: str
) -> None:
    lines = ["field,day,rfv", "A,1,180", "B,2,170"]
    rows, findings = rows_of(line_end.join(lines).replace(",", delimiter), rules)
    assert rows == [(2, ["A", "1", "180"]), (3, ["B", "2", "170"])]
    assert findings == Findings()


def test_delimiter_is_the_semicolon_where_commas_are_decimal_marks(rules: ReadingRules) -> None:
    rows, _ = rows_of("Feld;NDF;ADF\nA;38,2;29,6\nB;42,5;32,5\n", rules)
    assert rows == [(2, ["A", "38,2", "29,6"]), (3, ["B", "42,5", "32,5"])]


def test_delimiter_is_not_taken_from_remarks(rules: ReadingRules) -> None:
    rows, _ = rows_of('field,rfv,remark\nA,180,"wet; dewy; cold; late"\nB,170,a;b;c;d\n', rules)
    assert [cells[1] for _, cells in rows] == ["180", "170"]


def test_rows_skip_blank_lines_and_keep_their_line_numbers(rules: ReadingRules) -> None:
    rows, findings = rows_of("field,rfv\n\nA,180\n,\n  , \n\nB,170\n\n", rules)
    assert [line for line, _ in rows] == [3, 7]
    assert findings == Findings()


@pytest.mark.parametrize(
    "line",
    [
        "Total samples: 2",
        "TOTAL,,",
        "Average,,175.0",
        "# May",
        "End of report",
        "2 rows",
    ],
)
def test_rows_note_a_summary_or_comment_line(rules: ReadingRules, line: str) -> None:
    rows, findings = rows_of(f"field,day,rfv\nA,1,180\nB,2,170\n{line}\n", rules, never_empty=1)
    assert [cells[0] for _, cells in rows] == ["A", "B"]
    assert findings.rejections == []
    assert [note.row for note in findings.notes] == [4]


@pytest.mark.parametrize("field", ["#4", "Total", "Mean lane"])
def test_rows_keep_a_field_named_like_a_summary(rules: ReadingRules, field: str) -> None:
    rows, findings = rows_of(f"field,day,rfv\n{field},1,180\n", rules, never_empty=1)
    assert rows == [(2, [field, "1", "180"])]
    assert findings == Findings()


def test_rows_reject_a_forgotten_date_of_a_field_named_like_no_summary(
    rules: ReadingRules,
) -> None:
    rows, findings = rows_of("field,day,rfv\nMean lane,,180\n", rules, never_empty=1)
    assert rows == [(2, ["Mean lane", "", "180"])]  # its reader rejects it
    assert findings == Findings()


@pytest.mark.parametrize(("row", "cells"), [("A,1", 2), ("A,1,180,5", 4)])
def test_rows_reject_a_ragged_row_and_keep_its_neighbours(
    rules: ReadingRules, row: str, cells: int
) -> None:
    rows, findings = rows_of(f"field,day,rfv\nX,1,160\n{row}\nB,2,170\n", rules)
    assert [cells[0] for _, cells in rows] == ["X", "B"]
    (rejection,) = findings.rejections
    assert (rejection.row, rejection.column) == (3, "")
    assert rejection.reason.startswith(f"This row has {cells} cells but the header has 3:")
    assert list(rejection.raw.values()) == row.split(",")


def test_rows_accept_empty_cells_behind_the_last_column(rules: ReadingRules) -> None:
    rows, findings = rows_of("field,day,rfv\nA,1,180,,\n", rules)
    assert rows == [(2, ["A", "1", "180"])]
    assert findings == Findings()


@pytest.mark.parametrize("characters", [501, 100_000, 1_000_000])
def test_rows_reject_only_the_row_of_an_over_long_cell(
    rules: ReadingRules, characters: int
) -> None:
    rows, findings = rows_of(f"field,rfv\nA,180\nB,{'9' * characters}\nC,170\n", rules)
    assert [cells[0] for _, cells in rows] == ["A", "C"]
    (rejection,) = findings.rejections
    assert rejection.row == 3
    assert "shorten it" in rejection.reason
    assert sum(map(len, rejection.raw.values())) < 600


def test_rows_reject_only_the_row_of_an_over_long_quoted_cell(rules: ReadingRules) -> None:
    rows, findings = rows_of(f'field,rfv\nA,180\nB,"{"9" * 1_000_000}"\nC,170\n', rules)
    assert [cells[0] for _, cells in rows] == ["A", "C"]
    assert [rejection.row for rejection in findings.rejections] == [3]


def test_rows_keep_a_quoted_cell_that_runs_over_lines(rules: ReadingRules) -> None:
    rows, findings = rows_of('field,rfv,remark\nA,180,"wet\nand cold"\nB,170,\n', rules)
    assert rows == [(2, ["A", "180", "wet\nand cold"]), (4, ["B", "170", ""])]
    assert findings == Findings()


@pytest.mark.parametrize("last", ["B,170,dry", 'B,170,"', 'B,170,"dry"', 'B,"170",dry'], ids=str)
def test_rows_reject_an_unclosed_quotation_mark_and_keep_the_rows_below(
    rules: ReadingRules, last: str
) -> None:
    text = f'field,rfv,remark\nA,180,"wet\nX,160,\nY,165,\n{last}\n'
    rows, findings = rows_of(text, rules)
    seen = [line for line, _ in rows] + [one.row for one in findings.rejections]
    assert sorted(seen) == [2, 3, 4, 5]
    assert {3, 4} <= {line for line, _ in rows}
    assert findings.rejections[0].row == 2
    assert "quotation marks" in findings.rejections[0].reason


def test_rows_reject_an_unclosed_quotation_mark_far_above_the_end(rules: ReadingRules) -> None:
    below = "".join(f"F{number},170\n" for number in range(500))
    rows, findings = rows_of(f'field,rfv\n"A,180\n{below}', rules)
    assert [line for line, _ in rows] == list(range(3, 503))
    assert [rejection.row for rejection in findings.rejections] == [2]


def test_rows_read_quotation_marks_inside_a_cell(rules: ReadingRules) -> None:
    rows, _ = rows_of('field,rfv\nA 24" pipe,180\n"the ""long"" one",170\n', rules)
    assert [cells[0] for _, cells in rows] == ['A 24" pipe', 'the "long" one']


def test_open_table_refuses_more_rows_than_allowed(rules: ReadingRules) -> None:
    few = dataclasses.replace(rules, max_rows=100)
    with pytest.raises(UnreadableDocument, match="more than 100 rows: split it"):
        opened("field,rfv\n" + "A,180\n" * 130, few)


def test_check_names_names_the_duplicate() -> None:
    with pytest.raises(UnreadableDocument, match="two columns named 'Lab number'"):
        check_names("a.csv", Header(1, ("field", "lab_number", "Lab number")))


def test_check_names_names_a_duplicate_of_one_letter() -> None:
    with pytest.raises(UnreadableDocument, match="two columns named 'x'"):
        check_names("a.csv", Header(1, ("field", "x", "x")))


def test_check_names_allows_unnamed_columns() -> None:
    check_names("a.csv", Header(1, ("field", "", "", "rfv")))


@pytest.mark.parametrize("blank", ["\xa0", "\x0c", "\u3000"])
def test_rows_skip_a_line_of_other_blanks(rules: ReadingRules, blank: str) -> None:
    table = open_table(
        RawDocument("a.csv", f"field,rfv\nNorth,180\n{blank},\n".encode(), "test"), rules
    )
    findings = Findings()
    assert [line for line, _ in table.rows(table.head()[0], 0, findings)] == [2]
    assert findings.rejections == []
