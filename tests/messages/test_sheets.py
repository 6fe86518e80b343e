from __future__ import annotations

from datetime import date

import pytest

from alerts.messages.sheets import csv_of, plain


# Characters that open a formula in a spreadsheet: OWASP (n.d.), CSV Injection.
@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", " ="])
def test_cell_that_a_spreadsheet_would_run_is_made_text(start: str) -> None:
    wild = f"{start}cmd|' /C calc'!A0"
    assert plain(wild) == f"'{wild}"


def test_numbers_days_and_ordinary_names_stay() -> None:
    for cell in (-3, -1.5, None, date(2027, 5, 10), "North 40", "2027-05-10", ""):
        assert plain(cell) == cell


def test_csv_quotes_a_comma_and_leaves_the_unknown_empty() -> None:
    # Y. Shafranovich (2005), RFC 4180, 2: rows end with CRLF, a cell with a comma is quoted.
    rows = [("x,y", -1), (None, date(2027, 5, 10))]
    assert csv_of(("a", "b"), rows) == 'a,b\r\n"x,y",-1\r\n,2027-05-10\r\n'
