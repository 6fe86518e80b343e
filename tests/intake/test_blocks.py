"""Rows read many at a time give what they give one by one, whatever stands in them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from unittest.mock import patch

from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.domain.errors import UnreadableDocument
from alerts.domain.records import ParsedDocument, Result
from alerts.intake import table
from alerts.intake.base import RawDocument, ReadingRules
from alerts.intake.cells import CellFault
from alerts.intake.samples import SampleReader
from alerts.intake.table import Block, Findings, Header, open_table

Read = Callable[..., ParsedDocument]

HEADERS = (
    "farm,field,sampled_on,sampled_at,lab_number,method,ndf_pct_dm,adf_pct_dm,ndfd30_pct_ndf,rfv",
    "Report,Sample description,Collected,Moisture,NDF as fed,ADF as fed,RFQ",
    "Lab No,Client,Field ID,Sampled,aNDF %DM,ADF %DM,NDFD 30h %NDF",
)
CELLS = st.sampled_from(
    [
        *(
            "",
            " ",
            "A",
            "A / B",
            "#x",
            "Total",
            "=1+1",
            "nir",
            "wet",
            "x" * 600,
            '"',
            '"A"',
            '"A,B"',
        ),
        *("2031-05-12", "2031-05-12 07:10", "05/12/2031", "2031-06-30", "07:10", "7"),
        *("38.2", "30", "45", "0.08", "0.2", "400", "-1", "180", "n/a"),
    ]
)
LINES = st.lists(st.lists(CELLS, min_size=1, max_size=10).map(",".join), max_size=14)
BLOCKS = st.integers(1, 6)


@contextmanager
def blocks_of(many: int) -> Iterator[None]:
    with patch.object(table, "BLOCK", many):
        yield


@settings(deadline=None, max_examples=300)
@given(lines=LINES, many=BLOCKS)
def test_blocks_hold_the_rows_and_findings_of_a_table(
    rules: ReadingRules, lines: list[str], many: int
) -> None:
    text = "\r\n".join(["one,two,three", *lines])
    opened = open_table(RawDocument("a.csv", text.encode(), "test"), rules)
    header = Header(1, ("one", "two", "three"))
    singly, together = Findings(), Findings()
    rows = list(opened.rows(header, 1, singly))
    with blocks_of(many):
        blocks = list(opened.blocks(header, 1, together))
    pairs = [pair for block in blocks for pair in zip(block.lines, block.rows, strict=True)]
    assert pairs == rows
    assert together == singly


def one_by_one(
    self: SampleReader, block: Block, rejected: Callable[[int, list[str], CellFault], None]
) -> list[Result]:
    results = []
    for line, cells in zip(block.lines, block.rows, strict=True):
        try:
            results.append(self.read(line, [*cells, ""]))
        except CellFault as fault:
            rejected(line, cells, fault)
    return results


def outcome(read: Read, text: str) -> ParsedDocument | str:
    try:
        return read(text)
    except UnreadableDocument as error:
        return str(error)


@settings(deadline=None, max_examples=300)
@given(header=st.sampled_from(HEADERS), lines=LINES, many=BLOCKS)
def test_samples_read_together_are_those_read_singly(
    read: Read, header: str, lines: list[str], many: int
) -> None:
    text = "\n".join([header, *lines])
    with blocks_of(many):
        together = outcome(read, text)
        with patch.object(SampleReader, "of_block", one_by_one):
            singly = outcome(read, text)
    assert together == singly


@settings(deadline=None, max_examples=200)
@given(data=st.data(), header=st.sampled_from(HEADERS), many=BLOCKS)
def test_likely_samples_read_together_are_those_read_singly(
    read: Read, data: st.DataObject, header: str, many: int
) -> None:
    """Most rows are whole here, and so end as results."""
    likely = {
        "Lab No": "1",
        "Client": "A",
        "farm": "A",
        "field": "B",
        "Field ID": "B",
        "Report": "1",
        "Sample description": "A / B",
        "sampled_on": "2031-05-12",
        "Sampled": "05/12/2031",
        "Collected": "2031-05-12 07:10",
        "Moisture": "0.8",
        "sampled_at": "07:10",
        "NDF as fed": "0.08",
        "ADF as fed": "0.06",
        "RFQ": "160",
        "rfv": "170",
        "lab_number": "7",
        "method": "nir",
    }
    usual = [
        likely.get(name, "38.2" if "DF" in name.upper() else "30") for name in header.split(",")
    ]
    rows = []
    for number in range(data.draw(st.integers(1, 12))):
        cells = list(usual)
        if data.draw(st.booleans()):
            cells[data.draw(st.integers(0, len(cells) - 1))] = data.draw(CELLS)
        rows.append(",".join(cells).replace("38.2", str(36 + number / 4)))
    text = "\n".join([header, *rows])
    with blocks_of(many):
        together = outcome(read, text)
        with patch.object(SampleReader, "of_block", one_by_one):
            singly = outcome(read, text)
    assert together == singly
