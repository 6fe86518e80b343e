from __future__ import annotations

from datetime import date, time

import pytest
from factories import Service, day

from alerts.domain.errors import CutcallError, UnknownField
from alerts.services.farms.record_cuts import (
    DoubtfulCut,
    close_field,
    cut_field,
    cut_field_in,
    record_cut,
    undo_cut,
    undo_cut_in,
)
from alerts.store.tables import Area, Cut, FarmField, FieldOutlookRow


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
    told.clock.set(day(1), time(12))
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


def test_cut_before_a_sample_of_the_same_crop_is_refused(told: Service) -> None:
    told.clock.set(day(3), time(12))
    told.results({"rfv": 190, "sampled_on": day(3)})
    with pytest.raises(DoubtfulCut, match=r"North was sampled standing on 2027-05-13; give a la"):
        told.cut("North", day(2))
    assert told.rows(Cut) == []
    assert told.cut("North", day(3)) == 1


def test_sample_of_the_regrowth_does_not_speak_against_a_cut_recorded_late(told: Service) -> None:
    told.clock.set(day(30), time(12))
    told.results({"rfv": 210, "sampled_on": day(20)})
    assert told.cut("North", day(1)) == 1


@pytest.mark.parametrize(("cutting", "taken"), [(1, False), (2, True)])
def test_cutting_a_laboratory_names_settles_whose_sample_it_is(
    told: Service, cutting: int, taken: bool
) -> None:
    told.clock.set(day(30), time(12))
    told.results({"rfv": 210, "sampled_on": day(20 if cutting == 1 else 5), "cutting": cutting})
    if taken:
        assert told.cut("North", day(1)) == 1
    else:
        with pytest.raises(DoubtfulCut, match="sampled standing on 2027-05-30"):
            told.cut("North", day(1))


def test_cut_far_ahead_of_the_range_is_asked_about(told: Service) -> None:
    first = told.line("North").start_p10
    assert first is not None
    with told.sessions.write() as session:
        session.get_one(FieldOutlookRow, 1).start_p10 = day(11)
    with pytest.raises(DoubtfulCut, match="North is not expected to be ready before 2027-05-21"):
        told.cut("North", day(0))
    number = record_cut(
        told.sessions, farm="", field="North", cut_on=day(0), now=told.clock(), early=True
    )
    assert number == 1
    with told.sessions.write() as session:
        session.get_one(FieldOutlookRow, 2).start_p10 = day(10)
    assert told.cut("Creek", day(0)) == 1


@pytest.mark.parametrize(("days", "taken"), [(13, False), (14, True)])
def test_second_cut_within_two_weeks_is_the_same_one(told: Service, days: int, taken: bool) -> None:
    told.cut("North", day(0))
    told.later(days=days)
    if taken:
        assert told.cut("North", day(days)) == 2
    else:
        with pytest.raises(CutcallError, match="undo that cut and record"):
            told.cut("North", day(days))


def test_field_known_by_its_id_is_cut_like_one_known_by_name(told: Service) -> None:
    season = date(2027, 3, 1)
    cut_field(told.sessions, field_id=2, cut_on=day(0), now=told.clock(), season_first_day=season)
    by_name = record_cut(
        told.sessions,
        farm="",
        field="North",
        cut_on=day(0),
        now=told.clock(),
        season_first_day=season,
    )
    assert by_name == 1
    creek, north = told.rows(Cut)
    assert (creek.field_id, north.field_id) == (2, 1)
    assert set(creek.detail) == set(north.detail) != set()
    assert told.message().status == "cancelled"
    with pytest.raises(CutcallError, match="Creek was already cut on 2027-05-10; if that day is"):
        cut_field(told.sessions, field_id=2, cut_on=day(0), now=told.clock(), season_first_day=None)
    with pytest.raises(UnknownField, match="there is no field 99"):
        cut_field(
            told.sessions, field_id=99, cut_on=day(0), now=told.clock(), season_first_day=None
        )


def test_cut_inside_another_transaction_ends_with_it(told: Service) -> None:
    with pytest.raises(RuntimeError), told.sessions.write() as session:
        cut_field_in(session, field_id=1, cut_on=day(0), now=told.clock(), season_first_day=None)
        raise RuntimeError("the text that reported it could not be kept")
    assert told.rows(Cut) == []
    assert told.rows(FarmField)[0].cutting == 1
    assert told.message().status == "queued"


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
    told.later(days=1)
    assert told.cut("North", day(1)) == 1
    assert [cut.cut_on for cut in told.rows(Cut)] == [day(1)]


def test_undo_without_a_cut_is_refused(told: Service) -> None:
    with pytest.raises(CutcallError, match="no cut of North is recorded this season"):
        undo_cut(told.sessions, farm="Plum Bottom", field="north", now=told.clock())


def test_cut_of_a_field_known_by_its_id_is_undone(told: Service) -> None:
    told.cut("North", day(0))
    with told.sessions.write() as session:
        assert undo_cut_in(session, field_id=1, now=told.clock()) == (1, day(0))
    assert told.rows(Cut) == []
    with (
        told.sessions.write() as session,
        pytest.raises(UnknownField, match="there is no field 99"),
    ):
        undo_cut_in(session, field_id=99, now=told.clock())


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


def test_cut_of_tomorrow_on_the_farm_has_not_come_yet(told: Service) -> None:
    """At noon there it is tomorrow already in the easternmost zone, which is none of its business.

    Late in the evening of the farm it is tomorrow in UTC too.
    """
    for hour in (12, 23):
        told.clock.set(day(0), time(hour, 30))
        with pytest.raises(CutcallError, match="has not come yet"):
            told.cut("North", day(1))
    assert told.cut("North", day(0)) == 1


def test_cut_of_today_in_an_area_ahead_of_the_service_is_taken(service: Service) -> None:
    service.enrol({"time_zone": "Pacific/Auckland"})
    service.clock.set(day(0), time(12))  # 5 in the morning of the next day there
    assert service.cut("North", day(1)) == 1
