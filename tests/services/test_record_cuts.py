from __future__ import annotations

from datetime import time

import pytest
from factories import Service, day

from alerts.domain.errors import CutcallError, UnknownField
from alerts.store.tables import Area, Cut, FarmField


@pytest.fixture
def told(service: Service) -> Service:
    """A farm of two fields whose first message waits to be sent."""
    service.enrol({"field": "North"}, {"field": "Creek"})
    service.results({"rfv": 205}, {"rfv": 215, "field": "Creek"})
    service.evaluate()
    assert service.message().status == "queued"
    return service


def test_cut_opens_the_next_cutting_and_makes_the_area_due(told: Service) -> None:
    told.later(minutes=1)
    assert told.cut("North", day(0)) == 1
    north, creek = told.rows(FarmField)
    assert (north.cutting, north.cut_on, creek.cutting) == (2, day(0), 1)
    [cut] = told.rows(Cut)
    assert (cut.season, cut.cutting, cut.cut_on) == (2027, 1, day(0))
    assert told.rows(Area)[0].due_at == told.clock()


def test_results_from_before_the_cut_no_longer_count(told: Service) -> None:
    told.cut("North", day(0))
    told.evaluate()
    line = told.line("North")
    assert (line.cutting, line.results, line.start_median) == (2, 0, None)
    assert told.line("Creek").results == 1


def test_result_of_the_regrowth_counts_for_the_next_cutting(told: Service) -> None:
    told.cut("North", day(0))
    told.cut("Creek", day(1))
    told.clock.set(day(26), time(12))
    told.results({"rfv": 190, "sampled_on": day(25)}, {"rfv": 150, "sampled_on": day(-1)})
    told.evaluate()
    assert (told.line("North").cutting, told.line("North").results) == (2, 1)


def test_waiting_message_is_cancelled_and_the_other_field_is_not_started_again(
    told: Service,
) -> None:
    told.cut("North", day(0))
    assert told.message().status == "cancelled"
    assert "North was cut" in told.message().error_detail
    told.evaluate()
    assert [message.status for message in told.messages()] == ["cancelled"]


def test_message_that_left_is_not_cancelled(told: Service) -> None:
    told.send()
    told.cut("North", day(0))
    assert told.message().status == "accepted"


def test_second_cut_of_the_same_day_is_refused(told: Service) -> None:
    told.cut("North", day(0))
    with pytest.raises(CutcallError, match=r"North was already cut on 2027-05-10; give a later"):
        told.cut("North", day(0))
    assert len(told.rows(Cut)) == 1


def test_cut_of_an_unknown_field_is_refused(told: Service) -> None:
    with pytest.raises(UnknownField, match="no field 'South'"):
        told.cut("South", day(0))
