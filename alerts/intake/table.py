"""From text to a header and rows of cells, each with the line it starts on.

A bad row never takes a good one with it: a quotation mark that is not closed costs the row it
stands in, not the rows below that it would swallow.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import count, islice, repeat
from operator import itemgetter
from typing import NamedTuple

from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import Note, Rejection
from alerts.intake.base import RawDocument, ReadingRules
from alerts.intake.text import decode, printable, shown

DELIMITERS = ",;\t"
MOST_COLUMNS = 1000  # of which no laboratory fills a tenth
BLOCK = 4096  # rows looked at together
HEAD_ROWS = 20  # a header may stand below a letterhead of this many rows
_PIECE = 1 << 16  # characters
_LINES_IN_ROW = 20  # a quoted cell may run over this many lines
_QUOTED = re.compile(r'"[^"]*"')
_NOT_DATA = re.compile(
    r"#.*"
    r"|(grand )?(totals?|averages?|means?|medians?|counts?|sums?|min(imum)?|max(imum)?)"
    r"( of)?( all)?( samples?| rows?| results?)?\s*[:=]?\s*[\d.,]*"
    r"|\d+ (samples?|rows?|results?)"
    r"|end of (file|report|data|results?)\.?",
    re.IGNORECASE,
)


Record = tuple[int, int, list[str], str]
"""First line, characters, cells and complaint of a row."""


@dataclass(frozen=True, slots=True)
class Header:
    """The row that names the columns, and the line it stands on."""

    line: int
    names: tuple[str, ...]


@dataclass(slots=True)
class Findings:
    """What was refused or worth a word while a table was read, in the order of its rows."""

    rejections: list[Rejection] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)


class Block(NamedTuple):
    """Some rows of data with the lines they start on, in their order."""

    lines: Sequence[int]
    rows: list[list[str]]


@dataclass(frozen=True, slots=True)
class Table:
    """The text of a document whose delimiter is known."""

    name: str
    text: str
    delimiter: str
    max_cell_chars: int

    def head(self) -> list[Header]:
        """Give the first rows that hold anything: one of them is the header."""
        rows = (
            Header(line, _without_trailing_blanks(cells))
            for line, _, cells, complaint in _records(_Feed(self.text), self.delimiter)
            if not complaint
        )
        return list(islice((row for row in rows if row.names), HEAD_ROWS))

    def rows(
        self, header: Header, never_empty: int, findings: Findings
    ) -> Iterator[tuple[int, list[str]]]:
        """Give line number and cells of each data row below `header`, as many cells as it names.

        Every other row ends in `findings`: rejected, or noted when it is a comment or a summary.
        That is told by its first words, and only when its cell number `never_empty` is empty.
        """
        sieve = _Sieve(self, header, never_empty, findings)
        for line, size, cells, complaint in _records(
            _Feed(self.text), self.delimiter, len(header.names)
        ):
            if line > header.line and sieve.lets_through(line, size, cells, complaint):
                yield line, cells

    def blocks(self, header: Header, never_empty: int, findings: Findings) -> Iterator[Block]:
        """Give what `rows` gives, many rows at a time, with what is found of them."""
        sieve = _Sieve(self, header, never_empty, findings)
        width = len(header.names)
        feed = _Feed(self.text)
        while lines := feed.take(BLOCK):
            first = feed.line
            rows = _one_a_line(lines, self.delimiter)
            if rows is None:
                feed.give_back(lines)
                yield sieve.block(_records_up_to(first + len(lines), feed, self.delimiter, width))
                continue
            feed.line += len(lines)
            sizes = list(map(len, lines))
            if first > header.line and sieve.all_plain(rows, sizes):
                yield Block(range(first, feed.line), rows)
            else:
                yield sieve.block(zip(count(first), sizes, rows, repeat("")))


def open_table(document: RawDocument, rules: ReadingRules) -> Table:
    """Decode a document and find its delimiter.

    Raises UnreadableDocument when it is empty, binary or has too many rows or columns.
    """
    text = decode(document.name, document.content)
    if max(text.count("\n"), text.count("\r")) > rules.max_rows + HEAD_ROWS:
        raise UnreadableDocument(
            f"{document.name} has more than {rules.max_rows} rows: split it into smaller files."
        )
    delimiter = _delimiter(text)
    if any(
        line.count(delimiter) >= MOST_COLUMNS
        for line in text.splitlines()
        if len(line) >= MOST_COLUMNS
    ):
        raise UnreadableDocument(
            f"{document.name} has a row of more than {MOST_COLUMNS} cells: "
            "check that it is a table, one row for each sample or field."
        )
    return Table(document.name, text, delimiter, rules.max_cell_chars)


def check_names(name: str, header: Header) -> None:
    """Raise UnreadableDocument when two columns bear the same name."""
    seen: set[str] = set()
    for column in header.names:
        spelled = comparable(column)
        if column and spelled in seen:
            raise UnreadableDocument(
                f"{name} has two columns named {shown(column)}: rename or remove one of them."
            )
        seen.add(spelled)


def comparable(header: str) -> str:
    """Give a header in the form in which two spellings of it are equal.

    >>> comparable(" Lab  Number") == comparable("lab_number")
    True
    """
    return "_".join(header.casefold().replace("_", " ").split())


def _without_trailing_blanks(cells: list[str]) -> tuple[str, ...]:
    names = [printable(cell) for cell in cells]
    while names and not names[-1]:
        names.pop()
    return tuple(names)


def _delimiter(text: str) -> str:
    """Find the delimiter that cuts most of the first rows into the same number of cells.

    A decimal comma loses against the semicolon because it is missing from the header.
    """
    lines = (_QUOTED.sub("", line) for line in _lines(text))
    head = list(islice((line for line in lines if line.strip()), HEAD_ROWS))

    def agreement(delimiter: str) -> tuple[int, int]:
        counts = Counter(line.count(delimiter) for line in head)
        del counts[0]
        return max(((rows, cuts) for cuts, rows in counts.items()), default=(0, 0))

    return max(DELIMITERS, key=agreement)


def _lines(text: str) -> Iterator[str]:
    """The lines of a text with their ends, cut from a piece at a time: most heads need no more."""
    start = 0
    while start < len(text):
        end = text.find("\n", start + _PIECE) + 1 or len(text)
        yield from io.StringIO(text[start:end], newline="")
        start = end


class _Feed:
    """Lines for the CSV reader, of which those of the row under way can be given back."""

    __slots__ = ("_returned", "_source", "line", "taken")

    def __init__(self, text: str) -> None:
        self.line = 1  # the first of the row under way
        self._source = _lines(text)
        self._returned: deque[str] = deque()
        self.taken: list[str] = []

    def __iter__(self) -> _Feed:
        return self

    def __next__(self) -> str:
        taken = self.taken
        if len(taken) == _LINES_IN_ROW:
            raise StopIteration  # the reader reports an unclosed quotation mark and can go on
        line = self._returned.popleft() if self._returned else next(self._source)
        taken.append(line)
        return line

    def keep_first(self) -> None:
        """Give back all lines of the row under way but its first."""
        self._returned.extendleft(reversed(self.taken[1:]))
        del self.taken[1:]

    def finish(self) -> None:
        """Go on to the next row."""
        self.line += len(self.taken)
        self.taken.clear()

    def take(self, most: int) -> list[str]:
        """Take the next lines at once, none at the end; `line` stays where it is."""
        lines = [self._returned.popleft() for _ in range(min(most, len(self._returned)))]
        lines.extend(islice(self._source, most - len(lines)))
        return lines

    def give_back(self, lines: list[str]) -> None:
        self._returned.extendleft(reversed(lines))


def _one_a_line(lines: list[str], delimiter: str) -> list[list[str]] | None:
    """The cells of lines each of which is a row; None where one may go on in the next."""
    try:
        rows = list(csv.reader(lines, delimiter=delimiter, skipinitialspace=True, strict=True))
    except csv.Error:
        return None
    return rows if len(rows) == len(lines) else None


def _records_up_to(line: int, feed: _Feed, delimiter: str, width: int) -> Iterator[Record]:
    """Give rows until one ends at `line` or beyond."""
    for record in _records(feed, delimiter, width):
        yield record
        if feed.line >= line:
            return


def _records(feed: _Feed, delimiter: str, width: int = 0) -> Iterator[Record]:
    """Give each row, blank ones included."""
    reader = csv.reader(feed, delimiter=delimiter, skipinitialspace=True, strict=True)
    taken = feed.taken
    while True:
        complaint = ""
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error:
            complaint = _complaint(taken)
        if complaint or (len(taken) > 1 and _swallowed(taken, delimiter, width)):
            feed.keep_first()
            complaint, cells = complaint or _complaint(taken), [taken[0]]
        line, size = feed.line, sum(map(len, taken))
        feed.finish()
        yield line, size, cells, complaint


def _complaint(lines: list[str]) -> str:
    if max(map(len, lines)) > csv.field_size_limit():
        return "This row holds a cell that is far too long: shorten it."
    return "The quotation marks in this row do not pair up: remove or double the odd one."


def _swallowed(lines: list[str], delimiter: str, width: int) -> bool:
    """Tell whether a cell over several lines took whole rows in."""
    return width > 1 and any(line.count(delimiter) >= width - 1 for line in lines[1:])


@dataclass(frozen=True, slots=True)
class _Sieve:
    """Looks closer at a row that is not plainly a good one."""

    table: Table
    header: Header
    never_empty: int
    findings: Findings

    def all_plain(self, rows: list[list[str]], sizes: list[int]) -> bool:
        """Tell whether none of these rows wants a closer look."""
        return (
            set(map(len, rows)) == {len(self.header.names)}
            and max(sizes) <= self.table.max_cell_chars
            and all(map(str.strip, map(itemgetter(self.never_empty), rows)))
        )

    def block(self, records: Iterable[Record]) -> Block:
        """The rows below the header that may be read on."""
        lines, rows = [], []
        for line, size, cells, complaint in records:
            if line > self.header.line and self.lets_through(line, size, cells, complaint):
                lines.append(line)
                rows.append(cells)
        return Block(lines, rows)

    def lets_through(self, line: int, size: int, cells: list[str], complaint: str) -> bool:
        """Tell whether the row may be read on, with a closer look only where it wants one."""
        return (
            len(cells) == len(self.header.names)
            and bool(cells[self.never_empty].strip())
            and size <= self.table.max_cell_chars
            and not complaint
        ) or self.passes(line, cells, complaint)

    def passes(self, line: int, cells: list[str], complaint: str) -> bool:
        """Tell whether the row may be read on; trims it to the width of the header."""
        filled = [cell for cell in cells if cell.strip()]
        if not filled:
            return False
        if not complaint and self._is_not_data(cells, filled[0]):
            text = f"{shown(filled[0])} was taken for a comment or summary and skipped."
            self.findings.notes.append(Note(line, "", text))
            return False
        column, reason = ("", complaint) if complaint else self._fault(cells)
        if reason:
            self.findings.rejections.append(self._rejection(line, cells, column, reason))
        return not reason

    def _is_not_data(self, cells: list[str], first: str) -> bool:
        key = cells[self.never_empty] if self.never_empty < len(cells) else ""
        return not key.strip() and _NOT_DATA.fullmatch(first.strip()) is not None

    def _fault(self, cells: list[str]) -> tuple[str, str]:
        names, most = self.header.names, self.table.max_cell_chars
        if not any(cell.strip() for cell in cells[len(names) :]):
            del cells[len(names) :]
        if len(cells) != len(names):
            return "", (
                f"This row has {len(cells)} cells but the header has {len(names)}: "
                "add or remove cells until they agree."
            )
        for name, cell in zip(names, cells, strict=True):
            if len(cell) > most:
                return name, f"This cell holds {len(cell)} characters, at most {most}: shorten it."
        return "", ""

    def _rejection(self, line: int, cells: list[str], column: str, reason: str) -> Rejection:
        raw = raw_row(self.header, cells, self.table.max_cell_chars)
        return Rejection(line, column, reason, raw)


def raw_row(header: Header, cells: list[str], max_cell_chars: int) -> dict[str, str]:
    """Give a row as it came, by header; over-long cells are cut short.

    Cells that have no header of their own are named by their place, for example "cell 7".
    """
    names = [name or f"cell {place}" for place, name in enumerate(header.names, start=1)]
    names += [f"cell {place}" for place in range(len(names) + 1, len(cells) + 1)]
    return {
        name: cell if len(cell) <= max_cell_chars else f"{cell[:max_cell_chars]}..."
        for name, cell in zip(names, cells, strict=False)
    }
