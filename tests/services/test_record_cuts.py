from __future__ import annotations

from datetime import date, time

import pytest
from factories import Service, day

from alerts.domain.errors import CutcallError, UnknownField
from alerts.services.record_cuts import close_field, record_cut, undo_cut
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
    with pytest.raises(CutcallError, match=r"North was already cut on 2027-05-10; if that day is"):
        told.cut("North", day(0))
    assert len(told.rows(Cut)) == 1


def test_cut_of_an_unknown_field_is_refused(told: Service) -> None:
    with pytest.raises(UnknownField, match="no field 'South'"):
        told.cut("South", day(0))


@pytest.mark.parametrize(
    ("on", "words"),
    [
        (day(2), "2027-05-12 has not come yet"),
        (day(365), "has not come yet"),
        (date(2027, 2, 28), "before this season, which begins on 2027-03-01"),
        (day(-365), "check the year"),
    ],
)
def test_cut_of_an_impossible_day_is_refused(told: Service, on: date, words: str) -> None:
    with pytest.raises(CutcallError, match=words):
        record_cut(
            told.sessions,
            farm="",
            field="North",
            cut_on=on,
            now=told.clock(),
            season_first_day=date(2027, 3, 1),
        )
    assert told.rows(Cut) == []


@pytest.mark.parametrize(("days", "taken"), [(13, False), (14, True)])
def test_second_cut_within_two_weeks_is_the_same_one(told: Service, days: int, taken: bool) -> None:
    told.cut("North", day(0))
    told.later(days=days)
    if taken:
        assert told.cut("North", day(days)) == 2
    else:
        with pytest.raises(CutcallError, match="take it back with --undo"):
            told.cut("North", day(days))


# ------------------------------------------------------------------------- taking back


def test_undone_cut_lets_the_results_before_it_count_again(told: Service) -> None:
    told.cut("North", day(0))
    told.evaluate()
    assert told.line("North").results == 0
    assert undo_cut(told.sessions, farm="", field="North", now=told.clock()) == (1, day(0))
    told.evaluate()
    line = told.line("North")
    assert (line.cutting, line.results) == (1, 1)
    assert line.start_median is not None
    assert told.cut("North", day(-1)) == 1
    assert [cut.cut_on for cut in told.rows(Cut)] == [day(-1)]


def test_undo_without_a_cut_is_refused(told: Service) -> None:
    with pytest.raises(CutcallError, match="no cut of North is recorded this season"):
        undo_cut(told.sessions, farm="Plum Bottom", field="north", now=told.clock())


# ----------------------------------------------------------------------------- closing


def close(service: Service, field: str, area: str = "") -> None:
    close_field(service.sessions, farm="", field=field, on=day(0), now=service.clock(), area=area)


def test_closed_field_is_left_out_until_it_is_enrolled_again(told: Service) -> None:
    close(told, "North")
    assert told.message().status == "cancelled"
    told.evaluate()
    assert told.rows(FarmField)[0].closed_on == day(0)
    with pytest.raises(CutcallError, match="closed on 2027-05-10 already; enrol it again"):
        close(told, "North")
    with pytest.raises(CutcallError, match="enrol it again first"):
        told.cut("North", day(0))
    told.enrol({"field": "North"})
    assert told.cut("North", day(0)) == 1


def test_farm_whose_fields_are_all_closed_is_left_alone(told: Service) -> None:
    close(told, "North")
    close(told, "Creek")
    told.later(days=1)
    told.evaluate()
    assert [message.status for message in told.messages()] == ["cancelled"]


def test_farm_of_two_areas_needs_the_area(told: Service) -> None:
    told.enrol({"area": "Otter Bend"})
    with pytest.raises(
        CutcallError, match="Plum Bottom in Heron Flats, Plum Bottom in Otter Bend; say which"
    ):
        close(told, "North")
    with pytest.raises(CutcallError, match="a field in Heron Flats, Otter Bend, not in 'Mars'"):
        close(told, "North", area="Mars")
    close(told, "North", area="otter bend")
    assert [field.closed_on for field in told.rows(FarmField)] == [None, None, day(0)]
