"""CSV for people who open it in a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import date

_RUN = ("=", "+", "-", "@", "\t", "\r", "\n")
"""First characters with which a spreadsheet takes a cell for a formula (OWASP, CSV Injection)."""

Cell = str | int | float | date | None


def csv_of(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """A CSV as RFC 4180 has it; texts that a spreadsheet would run are made plain text.

    Spreadsheets read it as UTF-8 where it is encoded with a byte order mark ("utf-8-sig").
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(header)
    writer.writerows([plain(cell) for cell in row] for row in rows)
    return out.getvalue()


def plain(cell: Cell) -> Cell:
    """A number or a day as it is; a text behind an apostrophe where it would be run."""
    if isinstance(cell, str) and cell.lstrip(" ").startswith(_RUN):
        return f"'{cell}"
    return cell
