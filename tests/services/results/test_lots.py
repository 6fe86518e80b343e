"""A document's rows are taken a lot at a time; how many make a lot must change nothing."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import pytest
from databases import Database
from factories import Service, day, results_sheet
from sqlmodel import Session

from alerts.domain.results import Results
from alerts.intake import parse, table
from alerts.services.results import add_results
from alerts.services.results.accept_results import IntakeReport
from alerts.store.tables import Document, DocumentNote, RejectedRow

LAB = {"lab": "Tarnfield", "lab_number": "4711"}
NAMES = ("North", "Creek", "Nobody's")
Row = dict[str, object]


def rows_at_random(chance: random.Random, many: int) -> list[Row]:
    """Rows of few numbers, so that many repeat or correct one another; some cannot be read."""
    rows: list[Row] = []
    for _ in range(many):
        row: Row = {
            "field": chance.choice(NAMES),
            "lab": chance.choice(("Tarnfield", "Tarnfield", "")),
            "lab_number": chance.choice(("1", "2", "3", "")),
            "sampled_on": chance.choice(
                (day(0), day(-1), "someday" if chance.random() < 0.2 else day(0))
            ),
            "cutting": chance.choice(("1", "2", "")),
            "rfv": chance.choice((205, 190, "")),
            "ndf_pct_dm": chance.choice((38.2, 41.0, "")),
            "adf_pct_dm": chance.choice((29.5, "", 45)),
        }
        rows.append(chance.choice(rows) if rows and chance.random() < 0.2 else row)
    return rows


def told(report: IntakeReport) -> tuple[object, ...]:
    counts = (report.accepted, report.repeated, report.corrected, report.unmatched)
    return (*counts, tuple(report.rejected), tuple(report.notes))


def kept(service: Service) -> list[list[dict[str, Any]]]:
    """What is stored, without the keys by which it is stored."""
    rows = service.stored_results()
    names = {row.id: (row.document_id, row.row, row.identity, row.version) for row in rows}
    found = [
        {**row.model_dump(exclude={"id"}), "replaced_by": names.get(row.replaced_by)}
        for row in sorted(rows, key=lambda row: names[row.id])
    ]
    said = [
        sorted((row.model_dump(exclude={"id"}) for row in service.rows(kind)), key=str)
        for kind in (DocumentNote, RejectedRow)
    ]
    return [found, *said]


def take_all(
    service: Service, documents: Sequence[Sequence[Row]]
) -> tuple[list[object], list[list[dict[str, Any]]]]:
    service.enrol({"field": "North"}, {"field": "Creek", "grass_pct": 40})
    reports: list[object] = []
    for number, rows in enumerate(documents):
        service.later(minutes=1)
        reports.append(told(service.take(results_sheet(*rows), f"{number}.csv")))
    return reports, kept(service)


@pytest.mark.parametrize("seed", range(12))
def test_size_of_a_lot_changes_nothing(
    service: Service, database: Database, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    chance = random.Random(seed)
    documents = [rows_at_random(chance, chance.randint(1, 25)) for _ in range(3)]
    documents.append(documents[0])
    start = service.clock()
    outcomes = []
    for many in (table.BLOCK, 1, 4):
        monkeypatch.setattr(table, "BLOCK", many)
        database.renew()
        service.clock.now = start
        outcomes.append(take_all(service, documents))
    assert outcomes[0] == outcomes[1] == outcomes[2]


@pytest.fixture
def one_row_a_lot(service: Service, monkeypatch: pytest.MonkeyPatch) -> Service:
    service.enrol({"field": "North"}, {"field": "Creek"})
    monkeypatch.setattr(table, "BLOCK", 1)
    return service


def test_repetition_in_a_later_lot_counts_once(one_row_a_lot: Service) -> None:
    report = one_row_a_lot.results({"rfv": 205, **LAB}, {"rfv": 205, **LAB})
    assert (report.accepted, report.repeated) == (1, 1)
    assert len(one_row_a_lot.stored_results()) == 1


def test_correction_in_a_later_lot_replaces_what_a_lot_before_it_gave(
    one_row_a_lot: Service,
) -> None:
    report = one_row_a_lot.results({"rfv": 205, **LAB}, {"rfv": 190, **LAB}, {"rfv": 180, **LAB})
    assert (report.accepted, report.corrected) == (1, 2)
    first, second, third = one_row_a_lot.stored_results()
    assert (first.replaced_by, second.replaced_by, third.replaced_by) == (second.id, third.id, None)
    assert [row.version for row in (first, second, third)] == [1, 2, 3]
    assert [note.row for note in report.notes] == [3, 4]


def test_failure_in_a_later_lot_keeps_nothing_of_those_before(
    one_row_a_lot: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A document is taken as a whole or stays unread: the next round then reads all of it."""
    rows = [{"rfv": 205 + k, "lab_number": f"{k}", "lab": "Tarnfield"} for k in range(3)]
    with monkeypatch.context() as broken:
        whole, calls = add_results.index_columns, iter(range(9))

        def fails_on_the_third(*args: Any) -> Any:
            if next(calls) == 2:
                raise MemoryError
            return whole(*args)

        broken.setattr(add_results, "index_columns", fails_on_the_third)
        with pytest.raises(MemoryError):
            one_row_a_lot.results(*rows)
    assert one_row_a_lot.stored_results() == []
    [document] = one_row_a_lot.rows(Document)
    assert document.read_at is None
    report = one_row_a_lot.results(*rows)
    assert report.accepted == 3


def test_rows_are_read_before_the_write_lock_is_taken(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Reading takes seconds where there are many; whoever writes meanwhile must not wait for it."""
    writing: list[str] = []
    read_on: list[list[str]] = []

    @contextmanager
    def write() -> Iterator[Session]:
        writing.append("now")
        with real_write() as session:
            yield session
        writing.clear()

    def samples(*told: Any) -> Iterator[Results]:
        for lot in read_samples(*told):
            read_on.append(list(writing))
            yield lot

    real_write, read_samples = service.sessions.write, parse.read_samples
    service.enrol({"field": "North"})
    monkeypatch.setattr(table, "BLOCK", 1)
    monkeypatch.setattr(service.sessions, "write", write)
    monkeypatch.setattr(parse, "read_samples", samples)
    assert service.results({"rfv": 205}, {"rfv": 190}).accepted == 2
    assert read_on == [[], []]
