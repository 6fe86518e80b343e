"""Nothing vanishes and nothing breaks, whatever comes."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable

from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import ParsedDocument

Read = Callable[..., ParsedDocument]

HEADERS = (
    "field,sampled_on,rfv",
    "farm,field,sampled_on,lab_number,method,ndf_pct_dm,adf_pct_dm,ndfd30_pct_ndf",
    "Report,Sample description,Collected,Moisture,NDF as fed",
)
LIKELY = st.sampled_from(
    ["A", "2031-05-12", "180", "38.2", "=cmd", "", " ", "#x", "Total", "nir", "x" * 600, "0.08"]
)
CELLS = st.one_of(
    LIKELY, st.text(st.characters(codec="utf-8", exclude_characters='"\n\r\x00'), max_size=8)
)


def accounted_for(parsed: ParsedDocument) -> list[int]:
    skipped = [note.row for note in parsed.notes if "was taken for a comment" in note.text]
    return [
        *(one.row for one in parsed.results),
        *(one.row for one in parsed.rejections),
        *skipped,
    ]


@settings(deadline=None)  # how long one takes says more about the machine
@given(header=st.sampled_from(HEADERS), rows=st.lists(st.lists(CELLS, max_size=9), max_size=12))
def test_every_row_of_any_table_ends_in_exactly_one_place(
    read: Read, header: str, rows: list[list[str]]
) -> None:
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(header.split(","))
    writer.writerows(rows)
    try:
        parsed = read(text.getvalue())
    except UnreadableDocument:
        return
    assert sorted(accounted_for(parsed)) == [
        number for number, cells in enumerate(rows, start=2) if any(c.strip() for c in cells)
    ]


@settings(deadline=None)  # how long one takes says more about the machine
@given(header=st.sampled_from(HEADERS), body=st.one_of(st.binary(), st.text().map(str.encode)))
def test_any_bytes_below_a_header_are_refused_or_accounted_for(
    read: Read, header: str, body: bytes
) -> None:
    try:
        parsed = read(f"{header}\n".encode() + body)
    except UnreadableDocument:
        return
    seen = accounted_for(parsed)
    assert len(set(seen)) == len(seen)
    if b'"' not in body:
        lines = re.split("\r\n|\r|\n", _as_text(header.encode() + b"\n" + body))
        assert sorted(seen) == [
            number
            for number, line in enumerate(lines, start=1)
            if number > 1 and any(cell.strip() for cell in line.split(","))
        ]


def _as_text(content: bytes) -> str:
    for encoding in ("utf-8", "cp1252", "latin-1"):
        try:
            return content.decode(encoding).rstrip("\x1a")
        except UnicodeDecodeError:
            continue
    raise AssertionError("Latin-1 reads any bytes")


@settings(deadline=None)  # how long one takes says more about the machine
@given(content=st.binary())
def test_any_bytes_raise_nothing_but_an_unreadable_document(read: Read, content: bytes) -> None:
    try:
        parsed = read(content)
    except UnreadableDocument as refusal:
        assert str(refusal).startswith("results.csv")
    else:
        assert isinstance(parsed, ParsedDocument)
