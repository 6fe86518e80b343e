from __future__ import annotations

from datetime import datetime

import pytest
from factories import MONDAY, Service, day, sheet
from sqlalchemy import update

from alerts.services.results.accept_results import IntakeReport
from alerts.store.tables import LabResult

ORDER = {"lab": "Tarnfield", "lab_number": "4711"}


def counts(report: IntakeReport) -> tuple[int, int, int]:
    return report.accepted, report.repeated, report.corrected


def valid(service: Service) -> list[tuple[str, float | None]]:
    rows = [row for row in service.stored_results() if row.replaced_by is None]
    return sorted((row.field_label, row.rfv) for row in rows)


@pytest.fixture
def enrolled(service: Service) -> Service:
    service.enrol({"field": "North"}, {"field": "Creek"})
    return service


def test_several_samples_of_one_order_are_several_results(enrolled: Service) -> None:
    """A laboratory's order holds several samples (common practice)."""
    report = enrolled.results({"rfv": 205, **ORDER}, {"rfv": 190, "field": "Creek", **ORDER})
    assert counts(report) == (2, 0, 0)
    assert valid(enrolled) == [("Creek", 190.0), ("North", 205.0)]


def test_two_days_of_one_order_are_two_results(enrolled: Service) -> None:
    report = enrolled.results({"rfv": 205, **ORDER}, {"rfv": 215, "sampled_on": day(-3), **ORDER})
    assert counts(report) == (2, 0, 0)


def test_corrected_sample_of_an_order_replaces_its_own_version_only(enrolled: Service) -> None:
    rows = [{"rfv": 205, **ORDER}, {"rfv": 190, "field": "Creek", **ORDER}]
    enrolled.results(*rows)
    assert counts(enrolled.results({"rfv": 185, "field": "Creek", **ORDER})) == (0, 0, 1)
    assert valid(enrolled) == [("Creek", 185.0), ("North", 205.0)]
    assert counts(enrolled.results(*rows)) == (0, 2, 0)
    assert valid(enrolled) == [("Creek", 185.0), ("North", 205.0)]


def test_corrected_date_of_a_sample_of_an_order_replaces_it(enrolled: Service) -> None:
    enrolled.results({"rfv": 205, **ORDER}, {"rfv": 190, "field": "Creek", **ORDER})
    report = enrolled.results(
        {"rfv": 205, "sampled_on": day(-1), **ORDER}, {"rfv": 190, "field": "Creek", **ORDER}
    )
    assert counts(report) == (0, 1, 1)
    assert valid(enrolled) == [("Creek", 190.0), ("North", 205.0)]


def test_misspelt_date_of_a_number_is_corrected(enrolled: Service) -> None:
    enrolled.results({"rfv": 205, "sampled_on": day(-6), **ORDER})
    assert counts(enrolled.results({"rfv": 205, **ORDER})) == (0, 0, 1)
    [old, new] = enrolled.stored_results()
    assert (old.replaced_by, new.sampled_on, new.version) == (new.id, MONDAY, 2)


def test_sample_that_joins_an_order_of_several_is_new(enrolled: Service) -> None:
    enrolled.enrol({"field": "South"})
    enrolled.results({"rfv": 205, **ORDER}, {"rfv": 190, "field": "Creek", **ORDER})
    assert counts(enrolled.results({"rfv": 180, "field": "South", **ORDER})) == (1, 0, 0)
    assert len(valid(enrolled)) == 3


def test_change_of_field_is_a_correction_with_a_note_that_both_in_one_file_undo(
    enrolled: Service,
) -> None:
    north, creek = {"rfv": 205, **ORDER}, {"rfv": 190, "field": "Creek", **ORDER}
    enrolled.results(north)
    report = enrolled.results(creek)
    assert counts(report) == (0, 0, 1)
    [note] = report.notes
    assert (note.row, note.column) == (2, "lab_number")
    assert "4711 of Tarnfield Feed Analysis was North before and is Creek now" in note.text
    assert "give both rows in one file" in note.text
    assert counts(enrolled.results(north, creek)) == (1, 1, 0)
    assert valid(enrolled) == [("Creek", 190.0), ("North", 205.0)]


def test_same_number_field_and_day_twice_in_a_file_is_pointed_out(enrolled: Service) -> None:
    report = enrolled.results({"rfv": 205, **ORDER}, {"rfv": 212, **ORDER})
    assert counts(report) == (1, 0, 1)
    assert "stands in row 2 too" in report.notes[0].text


def test_number_used_again_next_season_is_a_new_result(enrolled: Service) -> None:
    enrolled.results({"rfv": 205, **ORDER})
    with enrolled.sessions.write() as session:
        last_year = MONDAY.replace(year=MONDAY.year - 1)
        session.exec(update(LabResult).values(sampled_on=last_year))
    assert counts(enrolled.results({"rfv": 190, **ORDER})) == (1, 0, 0)
    assert [row.replaced_by for row in enrolled.stored_results()] == [None, None]


def test_number_without_a_laboratory_is_that_of_its_field_and_day(enrolled: Service) -> None:
    enrolled.results({"rfv": 205, "lab_number": "7"})
    report = enrolled.results(
        {"rfv": 212, "lab_number": "7"}, {"rfv": 190, "field": "Creek", "lab_number": "7"}
    )
    assert counts(report) == (1, 0, 1)
    assert valid(enrolled) == [("Creek", 190.0), ("North", 212.0)]


def stems(*heights: float) -> str:
    fixed = {"farm": "Plum Bottom", "field": "North", "sampled_on": MONDAY, "stage": "bud"}
    return sheet([{**fixed, "height_in": height} for height in heights], ",")


def test_corrected_stem_sheet_replaces_the_reading_of_its_field_and_day(
    enrolled: Service,
) -> None:
    enrolled.take(stems(28, 28, 28, 28, 28))
    report = enrolled.take(stems(26, 28, 28, 28, 28, 30), "again.csv")
    assert counts(report) == (0, 0, 1)
    [(_, spots)] = [(r.id, r.spots) for r in enrolled.stored_results() if r.replaced_by is None]
    assert spots == 6
    assert counts(enrolled.take(stems(28, 28, 28, 28, 28))) == (0, 1, 0)


def test_file_of_many_rows_under_one_number_is_taken_in_whole(enrolled: Service) -> None:
    """Some programs write the order's number in every row."""
    rows = [{"rfv": 200, "field": f"F{n}", **ORDER} for n in range(2000)]
    report = enrolled.results(*rows)
    assert (report.unmatched, report.corrected) == (2000, 0)


@pytest.mark.parametrize(
    ("now", "sampled_on", "accepted"),
    [
        ("2027-05-10T02:00:00+00:00", "2027-05-10", 1),  # still the 9th where the service runs
        ("2027-05-10T11:00:00+00:00", "2027-05-11", 1),  # the 11th has begun at UTC+14
        ("2027-05-10T09:00:00+00:00", "2027-05-11", 0),  # the 11th has begun nowhere
    ],
)
def test_date_is_in_the_future_only_when_it_is_so_everywhere(
    enrolled: Service, now: str, sampled_on: str, accepted: int
) -> None:
    enrolled.clock.now = datetime.fromisoformat(now)
    report = enrolled.results({"rfv": 205, "sampled_on": sampled_on})
    assert (report.accepted, len(report.rejected)) == (accepted, 1 - accepted)
