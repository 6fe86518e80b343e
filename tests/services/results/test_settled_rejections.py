from __future__ import annotations

import pytest
from factories import Service, results_sheet

from alerts.domain.errors import CutcallError
from alerts.services.results.accept_results import settle
from alerts.store.tables import Document, DocumentNote, RejectedRow

BAD = results_sheet({"rfv": 9999}, {"rfv": 205, "sampled_on": "soon"})


@pytest.fixture
def enrolled(service: Service) -> Service:
    service.enrol({})
    service.take(BAD, "monday.csv")
    assert len(service.rows(RejectedRow)) == 2
    return service


def test_newer_file_of_the_name_settles_what_it_corrects(enrolled: Service) -> None:
    reason = enrolled.rows(RejectedRow)[0].reason
    enrolled.take(results_sheet({"rfv": 199}, {"rfv": 205, "sampled_on": "so on"}), "monday.csv")
    old, new = enrolled.rows(RejectedRow)
    assert (old.row, old.column, new.row, new.column) == (3, "sampled_on", 3, "sampled_on")
    assert (old.document_id, new.document_id) == (1, 2)
    [note] = enrolled.rows(DocumentNote)
    assert (note.document_id, note.row) == (1, 2)
    assert note.text == f"settled by a newer monday.csv: {reason}"


def test_file_of_another_name_settles_nothing(enrolled: Service) -> None:
    enrolled.take(results_sheet({"rfv": 199}, {"rfv": 205}), "tuesday.csv")
    assert len(enrolled.rows(RejectedRow)) == 2


def test_refused_file_is_settled_by_a_readable_one_of_its_name(enrolled: Service) -> None:
    enrolled.take("nothing,known\n1,2\n", "odd.csv")
    enrolled.take(results_sheet({"rfv": 199}), "odd.csv")
    assert [document.refusal for document in enrolled.rows(Document)] == ["", "", ""]
    assert "settled by a newer odd.csv: odd.csv" in enrolled.rows(DocumentNote)[-1].text


def test_document_is_settled_by_hand_and_kept(enrolled: Service) -> None:
    assert settle(enrolled.sessions, 1) == 2
    assert enrolled.rows(RejectedRow) == []
    [document] = enrolled.rows(Document)
    assert document.content == BAD.encode()
    assert len(enrolled.rows(DocumentNote)) == 2
    assert settle(enrolled.sessions, 1) == 0


def test_document_that_is_not_there_cannot_be_settled(enrolled: Service) -> None:
    with pytest.raises(CutcallError, match="no document 99; 'cutcall rejected' lists"):
        settle(enrolled.sessions, 99)
