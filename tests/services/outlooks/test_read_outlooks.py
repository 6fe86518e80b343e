from __future__ import annotations

from factories import MONDAY, Service, day

from alerts.services.outlooks.read_outlooks import field_lines


def test_field_without_a_result_has_its_target_and_no_date(service: Service) -> None:
    service.enrol({})
    service.evaluate()
    line = service.line()
    assert (line.field, line.farm, line.area) == ("North", "Plum Bottom", "Heron Flats")
    assert (line.index, line.standing_target, line.results) == ("rfv", 185.0, 0)
    assert (line.start_p10, line.start_median, line.start_p90) == (None, None, None)
    assert (line.chance_start_within_notice, line.told) == (None, None)


def test_field_with_a_result_has_a_range_around_its_date(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 215})
    service.evaluate()
    line = service.line()
    assert line.start_p10 < line.start_median < line.start_p90
    assert 0 <= line.chance_start_within_notice <= 1
    assert line.told is None


def test_field_is_told_only_once_the_message_left(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 215})
    service.evaluate()
    service.send()
    line = service.line()
    assert (line.told, line.told_kind, line.told_on) == (line.start_median, "coming", MONDAY)
    assert line.told == service.message().start_on


def test_what_was_told_of_the_last_cutting_is_not_told_of_the_next(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 215})
    service.evaluate()
    service.send()
    service.cut("North", day(0))
    line = service.line()
    assert (line.cutting, line.told, line.results, line.start_median) == (2, None, 0, None)


def test_ndf_target_is_lowered_by_what_handling_adds(service: Service) -> None:
    service.enrol({"index": "ndf", "feed_target": 40, "handling_loss": 2})
    assert service.line().standing_target == 38.0


def test_lines_come_by_area_and_date_and_can_be_of_one_farm(service: Service) -> None:
    service.enrol(
        {"field": "North"},
        {"field": "Creek"},
        {"farm": "Stone Row", "field": "East"},
        {"farm": "Far Bank", "field": "West", "area": "Amber Hill"},
    )
    service.results(
        {"rfv": 230},
        {"rfv": 215, "field": "Creek"},
        {"rfv": 222, "farm": "Stone Row", "field": "East"},
    )
    service.evaluate()
    assert [line.field for line in service.lines()] == ["West", "Creek", "East", "North"]
    mine = field_lines(service.sessions, farm="plum bottom")
    assert [line.field for line in mine] == ["Creek", "North"]
