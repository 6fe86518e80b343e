"""The farm's page as it is read: a farm of two fields, its neighbour, and two links."""

from __future__ import annotations

from datetime import date, time, timedelta
from itertools import pairwise

import pytest
from factories import MONDAY, OTHER_PHONE, PHONE, Service, day

from alerts.services.access.links import Role, Visitor
from alerts.services.access.scope import NotYours
from alerts.services.farms.farm_page import PageRules, chart_of, farm_page
from alerts.services.farms.farm_records import FarmPage, FieldPage
from alerts.services.outlooks.outlook_charts import chart_version
from alerts.store.tables import Farm, FarmField

OWNER = Visitor(1, Role.FARM, 1, 1)
ADVISER = Visitor(2, Role.CONSULTANT, 2, None)
ROWS = (
    {"field": "North", "acres": "30"},
    {"field": "South", "acres": "10"},
)


@pytest.fixture
def farm(service: Service) -> Service:
    """Two sampled fields, the south one behind the north one, after a first look."""
    service.enrol(*ROWS)
    service.results(
        {"field": "North", "rfv": 232, "sampled_on": day(-6).isoformat()},
        {"field": "North", "rfv": 208},
        {"field": "South", "rfv": 222},
    )
    service.evaluate()
    return service


def rules(service: Service) -> PageRules:
    return PageRules(
        service.parts.guidelines, service.parts.templates, service.parts.season_first_day()
    )


def page_of(
    service: Service, visitor: Visitor = OWNER, farm_id: int = 1, language: str = ""
) -> FarmPage:
    with service.sessions.read() as session:
        return farm_page(session, visitor, farm_id, rules(service), service.clock(), language)


def field_of(page: FarmPage, name: str) -> FieldPage:
    [found] = [field for field in page.fields if field.name == name]
    return found


def test_page_tells_the_farms_start_and_the_fields_in_harvest_order(farm: Service) -> None:
    page = page_of(farm)
    assert page.start is not None
    assert page.start.median == farm.line().farm_start_median
    assert [field.name for field in page.fields] == ["North", "South"]
    north = field_of(page, "North")
    assert north.start is not None
    assert north.start.median == farm.line("North").start_median
    assert north.evidence == "RFV 208 on May 10, 2 results"
    assert [result.day for result in north.results] == [MONDAY, day(-6)]
    assert (page.today, page.language, page.stopped) == (MONDAY, "en", False)


def test_sum_adds_up_and_says_so(farm: Service) -> None:
    """The arithmetic of University of Minnesota Extension, n.d., Alfalfa scissors cut sampling
    procedure: storage target plus loss, and the fall while the harvest lasts."""
    page = page_of(farm)
    north = field_of(page, "North").sum
    for told, days in ((north, 1.5), (page.sum, 2.0)):  # 30 of 40 acres, and the whole
        assert told is not None
        assert told.standing_target == told.feed_target + told.handling_loss == 185.0
        assert told.harvest_days == days
        assert told.start_near == pytest.approx(185.0 + days * told.change_per_day)
        assert "You want RFV 160 in storage" in told.in_words
        assert f"near RFV {told.start_near:.0f}" in told.in_words
    assert north is not None
    assert "North takes about 1.5 of the 2 days" in north.in_words


def test_sum_of_a_harvest_under_way_counts_what_still_stands(farm: Service) -> None:
    farm.clock.set(day(1), time(12))
    farm.cut("North", day(1))
    farm.evaluate()
    told = page_of(farm).sum
    assert told is not None
    assert told.harvest_days == 0.5
    assert "what still stands takes 0.5 days" in told.in_words


def test_waiting_costs_quality_and_buys_yield(farm: Service) -> None:
    gain = farm.parts.guidelines.value("yield.gain_lb_per_acre_day")
    page = page_of(farm)
    waiting = field_of(page, "North").waiting
    assert [one.day for one in waiting] == [day(k) for k in range(8)]
    for k, (one, after) in enumerate(pairwise(waiting)):
        assert one.standing > after.standing
        assert one.chance_of_missing <= after.chance_of_missing
        assert one.stored > after.stored
        # the last load is cut a day and a half after the start
        assert after.stored - 5.0 < one.stored < after.standing - 25.0
        assert one.gained_lb_per_acre == pytest.approx(k * gain)
        assert one.low < one.standing < one.high
    assert page.start is not None
    assert page.start.median is not None
    # the day told is the last one whose last load ends, more likely than not, at 160 in storage
    by_day = {one.day: one.stored for one in page.waiting}
    assert by_day[page.start.median] >= 160.0 > by_day[page.start.median + timedelta(days=1)]


def test_day_gone_is_no_day_to_start_on(farm: Service) -> None:
    farm.clock.set(day(2), time(5))  # before the day's look
    waiting = page_of(farm).waiting
    assert waiting[0].day == day(2)
    assert waiting[0].gained_lb_per_acre == 0.0


def test_field_alone_misses_less_than_the_whole_harvest(farm: Service) -> None:
    """The farm's chance counts both fields and two days, a field's its own share only."""
    page = page_of(farm)
    north = field_of(page, "North").waiting
    both = zip(page.waiting, north, strict=True)
    assert all(whole.chance_of_missing >= one.chance_of_missing for whole, one in both)


def test_field_without_results_is_last_and_has_no_date(service: Service) -> None:
    service.enrol({})
    page = page_of(service)
    [north] = page.fields
    assert (page.start, north.start, north.sum, north.waiting) == (None, None, None, ())
    assert north.evidence == "no result yet"
    assert north.chart.standing_target == 185.0


def test_cut_field_shows_its_next_cutting_and_the_cut(farm: Service) -> None:
    farm.clock.set(day(2), time(12))
    farm.cut("North", day(1))
    farm.evaluate()
    page = page_of(farm)
    north = field_of(page, "North")
    assert (north.cutting, north.cut_on, north.start, north.results) == (2, day(1), None, ())
    assert page.under_way
    assert [field.name for field in page.fields] == ["South", "North"]
    [cut] = page.cuts
    assert (cut.field, cut.cut_on, cut.cutting, cut.may_undo) == ("North", day(1), 1, True)
    assert cut.expected is not None
    assert 190 < cut.expected < 215


def test_messages_are_told_with_their_fate(farm: Service) -> None:
    assert "waiting to be sent" in page_of(farm).messages[0].told
    farm.send()
    [message] = page_of(farm).messages
    assert message.told.startswith("May 10, text to +12025550143: start about ")
    assert message.told.endswith("taken by the gateway, no receipt yet.")
    assert "Plum Bottom" in message.text


def test_addresses_are_masked_for_everybody_but_their_owner(service: Service) -> None:
    service.enrol({"consultant": "Cara Voss", "consultant_email": "cara@example.org"})
    service.results({"rfv": 208})
    service.evaluate()
    [own] = page_of(service).addresses
    assert own.address == PHONE
    adviser = page_of(service, ADVISER)
    assert PHONE not in repr(adviser)
    assert adviser.addresses[0].address.endswith("43")


def test_farm_outside_the_scope_does_not_exist(farm: Service) -> None:
    farm.enrol({"farm": "Quarry Lane", "farmer": "Bo Ek", "phone": OTHER_PHONE})
    with pytest.raises(NotYours):
        page_of(farm, farm_id=2)
    with farm.sessions.read() as session, pytest.raises(NotYours):
        chart_of(session, OWNER, 3, rules(farm), farm.clock())


def test_result_of_a_neighbour_is_shown_as_its_messages_tell_it_only(service: Service) -> None:
    service.enrol({}, {"farm": "Quarry Lane", "farmer": "Bo Ek", "phone": OTHER_PHONE})
    for offset, rfv in ((-6, 240), (-3, 228), (0, 214)):
        service.results({"farm": "Quarry Lane", "rfv": rfv, "sampled_on": day(offset).isoformat()})
    service.evaluate()
    [north] = page_of(service).fields
    assert (north.results, north.chart.results) == ((), ())
    assert "Quarry" not in repr(north)
    assert north.evidence == "no result of its own; from nearby fields"


def test_middle_of_enough_neighbours_is_shown(service: Service) -> None:
    quarry = {"farm": "Quarry Lane", "farmer": "Bo Ek", "phone": OTHER_PHONE}
    service.enrol({}, *({**quarry, "field": name} for name in ("Pit", "Rim", "Top")))
    service.results(
        *(
            {"farm": "Quarry Lane", "field": n, "rfv": v}
            for n, v in (("Pit", 240), ("Rim", 214), ("Top", 210))
        )
    )
    service.evaluate()
    [north] = page_of(service).fields
    [point] = north.chart.results
    assert (point.day, point.value, point.own) == (MONDAY, 214.0, False)
    assert north.evidence == "no result of its own; middle of 3 nearby fields: RFV 214 on May 10"
    assert "Quarry" not in repr(north)


def test_farm_is_being_worked_out_until_the_look_after_a_cut(farm: Service) -> None:
    farm.clock.set(day(1), time(12))
    farm.cut("North", day(1))
    page = page_of(farm)
    assert page.in_work
    assert (page.start, page.sum, page.waiting, page.meets_today) == (None, None, (), None)
    assert all((field.start, field.waiting) == (None, ()) for field in page.fields)
    farm.evaluate()
    page = page_of(farm)
    assert not page.in_work
    assert page.start is not None


def test_sample_soon_after_a_cut_is_shown_and_not_counted(farm: Service) -> None:
    farm.clock.set(day(1), time(12))
    farm.cut("North", day(1))
    farm.cut("South", day(1))
    farm.clock.set(day(20), time(12))
    farm.results(
        {"field": "North", "rfv": 172, "sampled_on": day(2).isoformat()},
        {"field": "North", "rfv": 230, "sampled_on": day(15).isoformat()},
    )
    farm.evaluate()
    north = field_of(page_of(farm), "North")
    assert [result.day for result in north.young] == [day(2)]
    assert [result.day for result in north.results] == [day(15)]
    assert north.evidence == "RFV 230 on May 25, 1 result"
    assert farm.line("North").results == 1


def test_sample_far_off_all_together_is_said_to_be_one_sample(service: Service) -> None:
    service.enrol(*({"field": f"Field {k}"} for k in range(4)))
    sound = [{"field": f"Field {k}", "rfv": 215} for k in range(4)]
    service.results(*({**row, "sampled_on": day(-3).isoformat()} for row in sound))
    service.results(*sound[1:], {"field": "Field 0", "rfv": 175})
    service.evaluate()
    page = page_of(service)
    noise = field_of(page, "Field 0").noise
    assert noise is not None
    # a clip by NIR and its day, at 185: the root of 9.5 squared and 8 squared is 12.4, more above
    assert 12.0 < noise.off < 18.0
    assert 175.0 + noise.off < noise.today < 215.0
    assert all(field_of(page, f"Field {k}").noise is None for k in range(1, 4))


def test_field_nobody_sampled_shows_the_farms_other_results(service: Service) -> None:
    service.enrol(*ROWS)
    service.results({"field": "South", "rfv": 215})
    service.evaluate()
    points = field_of(page_of(service), "North").chart.results
    assert [(point.value, point.own) for point in points] == [(215.0, False)]


def test_page_in_spanish_words(farm: Service) -> None:
    page = page_of(farm, language="es")
    told = field_of(page, "North").sum
    assert page.language == "es"
    assert told is not None
    assert "Usted quiere RFV 160" in told.in_words


def test_pause_that_is_over_is_none(farm: Service) -> None:
    for until, told in ((day(3), day(3)), (MONDAY, None), (day(-1), None)):
        with farm.sessions.write() as session:
            row = session.get_one(Farm, 1)
            row.paused_until = until
            session.add(row)
        assert page_of(farm).paused_until == told


# ------------------------------------------------------------------------- charts


def version_of(service: Service, language: str = "") -> str:
    with service.sessions.read() as session:
        return chart_of(session, OWNER, 1, rules(service), service.clock(), language).version


def test_chart_keeps_its_version_until_the_picture_changes(farm: Service) -> None:
    first = version_of(farm)
    assert version_of(farm) == first
    assert version_of(farm, "es") != first
    farm.clock.set(MONDAY, time(18))
    farm.evaluate()
    assert version_of(farm) == first  # looked at again, nothing new
    farm.results({"field": "North", "rfv": 199, "sampled_on": day(-1).isoformat()})
    farm.evaluate()
    second = version_of(farm)
    assert second != first
    with farm.sessions.write() as session:
        row = session.get_one(FarmField, 1)
        row.name = "North Forty"
        session.add(row)
    assert version_of(farm) != second


def test_versions_of_two_fields_differ(farm: Service) -> None:
    charts = [field.chart for field in page_of(farm).fields]
    assert chart_version(charts[0], "en") != chart_version(charts[1], "en")


def test_chart_of_a_farm_with_one_field_has_the_farms_start(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 208})
    service.evaluate()
    page = page_of(service)
    assert page.start is not None
    assert not page.fields[0].chart.alone
    assert page.fields[0].chart.start_median == page.start.median


def test_chart_of_a_field_given_up_is_gone(farm: Service) -> None:
    with farm.sessions.write() as session:
        row = session.get_one(FarmField, 2)
        row.closed_on = date(2027, 5, 9)
        session.add(row)
    with farm.sessions.read() as session, pytest.raises(NotYours):
        chart_of(session, OWNER, 2, rules(farm), farm.clock())
