from __future__ import annotations

from collections.abc import Mapping
from datetime import time

import pytest
from factories import MONDAY, Service, day, sheet

from alerts.services.results.match_results import name_field
from alerts.store.tables import DocumentNote

PERCENT = {"feed_target": 42, "handling_loss": 2}


@pytest.mark.parametrize(
    ("index", "row", "column", "says"),
    [
        ("rfq", {"rfv": 190}, "", "it gives no RFQ, in which Plum Bottom has its target"),
        ("rfv", {"ndf_pct_dm": 40}, "", "ask the laboratory for RFV itself, or ADF beside NDF"),
        ("ndf", {"rfv": 190}, "", "ask the laboratory for NDF"),
        ("rfv", {"rfv": 190, "cutting": 2}, "cutting", "says cutting 2 but cutting 1 of North"),
    ],
)
def test_result_that_lacks_something_is_pointed_out(
    service: Service, index: str, row: Mapping[str, object], column: str, says: str
) -> None:
    service.enrol({"index": index, **(PERCENT if index == "ndf" else {})})
    report = service.results(row)
    assert report.accepted == 1
    [note] = report.notes
    assert (note.row, note.column) == (2, column)
    assert says in note.text
    assert [kept.text for kept in service.rows(DocumentNote)] == [note.text]


@pytest.mark.parametrize(
    ("index", "row"),
    [
        ("rfq", {"rfq": 190}),
        ("rfv", {"ndf_pct_dm": 40, "adf_pct_dm": 30}),
        ("ndf", {"ndf_pct_dm": 40}),
        ("rfv", {"rfv": 190, "cutting": 1}),
    ],
)
def test_result_that_lacks_nothing_is_not_pointed_out(
    service: Service, index: str, row: Mapping[str, object]
) -> None:
    service.enrol({"index": index, **(PERCENT if index == "ndf" else {})})
    assert service.results(row).notes == []


def test_sample_within_two_weeks_of_the_cut_is_pointed_out(service: Service) -> None:
    service.enrol({})
    service.clock.set(MONDAY, time(18))
    service.cut("North", MONDAY)
    service.clock.set(day(20), time(12))
    said = {
        after: service.results({"rfv": 190, "sampled_on": day(after).isoformat()}).notes
        for after in (1, 13, 14)
    }
    assert "North was cut on 2027-05-10, 1 day before" in said[1][0].text
    assert said[1][0].column == "sampled_on"
    assert "13 days before: this result is kept and not counted" in said[13][0].text
    assert said[14] == []


def test_stems_outside_the_tables_are_pointed_out(service: Service) -> None:
    service.enrol({})
    spot = {"farm": "Plum Bottom", "field": "North", "sampled_on": MONDAY, "stage": "bud"}
    report = service.take(sheet([{**spot, "height_in": 12}] * 5, ","))
    assert "no spot of this reading can be used" in report.notes[-1].text


def test_what_a_waiting_result_lacks_is_noted_once_its_field_is_known(service: Service) -> None:
    service.enrol({})
    service.results({"ndf_pct_dm": 40, "field": "N 40"})
    assert service.rows(DocumentNote) == []
    name_field(
        service.sessions,
        label="N 40",
        farm_label=None,
        farm="Plum Bottom",
        field="North",
        guidelines=service.parts.guidelines,
        now=service.clock(),
    )
    [note] = service.rows(DocumentNote)
    assert "it gives no RFV" in note.text
