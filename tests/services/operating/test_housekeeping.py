from __future__ import annotations

from datetime import date, time

from factories import MONDAY, Service, day, results_sheet

from alerts.services.operating.housekeeping import tidy
from alerts.store import documents
from alerts.store.tables import FarmField


def clean(service: Service) -> list[str]:
    reports = tidy(service.sessions, service.parts.intake_rules(), service.clock())
    return [report.document for report in reports]


def test_new_season_opens_every_field_at_its_first_cutting(service: Service) -> None:
    service.enrol({"field": "North"}, {"field": "Creek"})
    service.cut("North", day(0))
    service.clock.set(date(2028, 3, 2), time(9))
    clean(service)
    assert [(f.cutting, f.cut_on) for f in service.rows(FarmField)] == [(1, None), (1, None)]


def test_season_under_way_keeps_its_cuttings(service: Service) -> None:
    service.enrol({})
    service.cut("North", day(0))
    service.clock.set(date(2027, 9, 20), time(9))
    clean(service)
    assert [(f.cutting, f.cut_on) for f in service.rows(FarmField)] == [(2, MONDAY)]


def test_next_spring_begins_without_last_years_results_and_words(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 205})
    service.evaluate()
    service.send()
    service.later(days=2)
    service.cut("North", day(2))
    service.clock.set(date(2028, 5, 9), time(12))
    clean(service)
    service.evaluate()
    assert (service.line().results, service.line().start_median) == (0, None)
    service.results({"rfv": 215, "sampled_on": "2028-05-08"})
    service.evaluate()
    assert [(m.kind, m.season, m.cutting) for m in service.messages()] == [
        ("coming", 2027, 1),
        ("coming", 2028, 1),
    ]


def test_document_that_a_crash_left_unread_is_read(service: Service) -> None:
    service.enrol({})
    with service.sessions.write() as session:
        documents.keep_document(
            session,
            name="monday.csv",
            source="folder",
            lab="",
            content=results_sheet({"rfv": 205}).encode(),
            now=service.clock(),
        )
    assert clean(service) == ["monday.csv"]
    assert len(service.stored_results()) == 1
    assert clean(service) == []
