from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest
from factories import AREA, MONDAY, NOON, Service, day

from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Index, Method
from alerts.services.access.scope import NotYours
from alerts.services.results.public_results import (
    AreaName,
    AreaResults,
    OwnNumbers,
    PublicResult,
    ResultFilter,
    area_names,
    area_results,
    newest_rounds,
    worked_sum,
)
from alerts.store.tables import FarmField

SEASON = date(2027, 3, 1)


def publish(service: Service, field: str, name: str, place: str = "") -> None:
    with service.sessions.write() as session:
        for row in service.rows(FarmField):
            if row.name == field:
                found = session.get_one(FarmField, row.id)
                found.public_name, found.public_place = name, place


def results(
    service: Service, wanted: ResultFilter | None = None, slug: str = "heron-flats"
) -> AreaResults:
    with service.sessions.read() as session:
        return area_results(
            session,
            slug,
            wanted or ResultFilter(),
            season_first_day=SEASON,
            now=NOON + timedelta(days=60),
        )


@pytest.fixture
def area(service: Service) -> Service:
    """Three fields: one published by the creek, one on the ridge, one private; two rounds."""
    service.enrol({"field": "North"}, {"field": "Creek"}, {"field": "Secret"})
    publish(service, "North", "Valley road", "by the creek")
    publish(service, "Creek", "Old mill", "the ridge")
    service.clock.set(day(4), time(12))
    service.results(
        {"rfv": 205}, {"field": "Creek", "rfv": 215}, {"field": "Secret", "rfv": 99},
        {"sampled_on": day(3), "rfv": 190, "ndf_pct_dm": 34.17},
        {"field": "Creek", "sampled_on": day(3), "rfv": 200, "method": "wet"},
    )  # fmt: skip
    return service


def test_only_fields_with_a_public_name_appear_newest_first(area: Service) -> None:
    found = results(area)
    assert [(one.sampled_on, one.field, one.rfv) for one in found.results] == [
        (day(3), "Old mill", 200),
        (day(3), "Valley road", 190),
        (day(0), "Old mill", 215),
        (day(0), "Valley road", 205),
    ]
    assert found.places == ("by the creek", "the ridge")
    assert found.methods == (Method.WET_CHEMISTRY, Method.NIR)
    assert found.results[1].ndf == 34.2


def test_area_without_a_public_field_does_not_exist(service: Service) -> None:
    service.enrol({})
    service.results({"rfv": 205})
    with service.sessions.read() as session:
        assert area_names(session) == []
    with pytest.raises(NotYours, match="no such area"):
        results(service)


def test_areas_whose_names_look_alike_have_addresses_of_their_own(service: Service) -> None:
    service.enrol({}, {"area": "Heron-Flats!", "phone": "+12025550146"}, {"area": "Otter Bend"})
    with service.sessions.write() as session:
        for row in service.rows(FarmField):
            session.get_one(FarmField, row.id).public_name = "x"
    with service.sessions.read() as session:
        names = area_names(session)
    slugs = [one.slug for one in names]
    assert len(set(slugs)) == len(slugs)
    assert "heron-flats" in slugs
    assert all(slug == slug.casefold() and " " not in slug for slug in slugs)


@pytest.mark.parametrize(
    ("wanted", "fields"),
    [
        (ResultFilter(method=Method.WET_CHEMISTRY), ["Old mill"]),
        (ResultFilter(place="The Ridge"), ["Old mill", "Old mill"]),
        (ResultFilter(place="nowhere"), []),
        (ResultFilter(first=day(1)), ["Old mill", "Valley road"]),
        (ResultFilter(last=day(2)), ["Old mill", "Valley road"]),
        (
            ResultFilter(first=day(0), last=day(3), method=Method.NIR),
            ["Valley road", "Old mill", "Valley road"],
        ),
    ],
)
def test_results_are_filtered(wanted: ResultFilter, fields: list[str], area: Service) -> None:
    assert [one.field for one in results(area, wanted).results] == fields


def test_corrected_result_keeps_its_id_and_has_a_newer_date(service: Service) -> None:
    service.enrol({})
    publish(service, "North", "Valley road")
    number = {"lab": "kestrel", "lab_number": "K-1"}
    service.results({**number, "rfv": 205})
    [first] = results(service).results
    for rfv in (206, 207):
        service.later(hours=1)
        service.results({**number, "rfv": rfv})
    [last] = results(service).results
    assert (last.id, last.rfv) == (first.id, 207)
    assert last.updated == first.updated + timedelta(hours=2)


def test_tag_changes_with_every_result_and_name_and_not_without(area: Service) -> None:
    before = results(area).tag("page")
    assert results(area).tag("page") == before
    assert results(area).tag("csv") != before
    area.results({"sampled_on": day(3), "rfv": 191, "lab": "ouzel", "lab_number": "7"})
    after = results(area).tag("page")
    assert after != before
    publish(area, "North", "")
    assert results(area).tag("page") not in (before, after)
    area.results({"field": "Secret", "rfv": 98, "sampled_on": day(2)})
    withdrawn = results(area).tag("page")
    area.results({"field": "Secret", "rfv": 97, "sampled_on": day(1)})
    assert results(area).tag("page") == withdrawn


def test_cutting_follows_the_cuts_of_the_field(area: Service) -> None:
    area.cut("North", day(3))
    area.clock.set(day(31), time(12))
    area.results(
        {"sampled_on": day(30), "rfv": 180}, {"sampled_on": day(29), "rfv": 175, "cutting": 4}
    )
    cuttings = {one.sampled_on: one.cutting for one in results(area).results if one.rfv != 200}
    # A sample of the day of the cut is of the crop that was cut.
    assert cuttings[day(30)] == 2
    assert cuttings[day(29)] == 4  # the laboratory's word
    assert cuttings[day(3)] == 1
    assert cuttings[day(0)] == 1


def test_stem_reading_shows_what_it_gives(service: Service) -> None:
    service.enrol({})
    publish(service, "North", "Valley road")
    service.take(f"farm,field,sampled_on,spot,height_in,stage\n,North,{MONDAY},1,30,bud\n")
    [one] = results(service).results
    assert (one.method, one.rfq) == (Method.STEM, None)
    assert one.rfv is not None
    assert one.ndf is not None


def test_results_of_last_season_are_not_shown(service: Service) -> None:
    service.enrol({})
    publish(service, "North", "Valley road")
    service.results({"rfv": 205})
    with service.sessions.read() as session:
        found = area_results(
            session,
            "heron-flats",
            ResultFilter(),
            season_first_day=date(2028, 3, 1),
            now=datetime(2028, 4, 1, 12, tzinfo=UTC),
        )
    assert (found.results, found.season, found.updated) == ((), 2028, None)


# ---------------------------------------------------------------------------- the sum


def made(*values: tuple[date, str, float], index: Index = Index.RFV) -> AreaResults:
    """Results of an area in one index, given by day, field and value."""
    rows = tuple(
        PublicResult(
            id=number,
            field=field,
            place="",
            cutting=1,
            method=Method.NIR,
            sampled_on=on,
            rfv=value if index is Index.RFV else None,
            rfq=value if index is Index.RFQ else None,
            ndf=value if index is Index.NDF else None,
            updated=NOON,
        )
        for number, (on, field, value) in enumerate(values)
    )
    return AreaResults(AreaName(1, AREA, "heron-flats", 2), 2027, rows, (), (Method.NIR,), NOON)


def three(on: date, value: float, index: Index = Index.RFV) -> AreaResults:
    """A round of three fields that stand alike."""
    return made(*((on, field, value) for field in "ABC"), index=index)


def test_newest_round_is_that_of_the_last_day_with_enough_fields() -> None:
    found = made(
        *((day(0), field, 240) for field in "ABCD"),
        *(
            (day(3), field, value)
            for field, value in zip("ABCC", (200, 205, 210, 216), strict=True)
        ),
        (day(4), "A", 170),
    )
    [one] = newest_rounds(found)
    assert (one.index, one.cutting, one.day, one.fields) == (Index.RFV, 1, day(3), 3)
    # Two samples of a field are one field: the middle of 200, 205 and 213.
    assert (one.low, one.middle, one.high) == (200, 205, 216)
    assert one.enough


def test_two_fields_have_no_middle_and_no_sum(guidelines: GuidelineSet) -> None:
    found = made((day(0), "A", 240), (day(3), "A", 200), (day(3), "B", 214))
    [one] = newest_rounds(found)
    assert (one.day, one.fields, one.enough) == (day(3), 2, False)
    assert worked_sum(found, OwnNumbers(), guidelines) is None


def test_reading_of_the_next_crop_leaves_the_sum_of_the_first_as_it_is(
    guidelines: GuidelineSet,
) -> None:
    first = three(day(0), 205)
    before = worked_sum(first, OwnNumbers(160, 25, 3), guidelines)
    stem = replace(
        first.results[0], sampled_on=day(9), cutting=2, rfv=168.0, method=Method.STEM, id=99
    )
    both = replace(first, results=(stem, *first.results))
    assert [(one.cutting, one.fields) for one in newest_rounds(both)] == [(2, 1), (1, 3)]
    assert worked_sum(both, OwnNumbers(160, 25, 3), guidelines) == before
    assert before is not None
    assert before.change_per_day == guidelines.value("daily_change.first.alfalfa.rfv")


def test_stem_reading_gives_way_to_the_laboratory_on_the_same_field_and_day() -> None:
    found = three(day(0), 205)
    stem = replace(found.results[0], rfv=150.0, method=Method.STEM, id=99)
    [one] = newest_rounds(replace(found, results=(stem, *found.results)))
    assert (one.low, one.middle, one.fields) == (205, 205, 3)


def test_sum_follows_the_published_steps(guidelines: GuidelineSet) -> None:
    # University of Minnesota Extension, n.d., Alfalfa scissors cut sampling procedure: feed target
    # plus harvest loss is the standing target; the crop then falls while the harvest lasts.
    # 160 + 25 = 185; 3 days at the 4 points a day of guidelines.toml make 12; start at 197.
    # From 205 that is 8 points, 2 days at 4 a day: Thursday May 13 and 2 days.
    found = worked_sum(three(day(3), 205), OwnNumbers(target=160, loss=25, days=3), guidelines)
    assert found is not None
    assert (found.standing_target, found.change_per_day, found.start_level) == (185, 4, 197)
    assert (found.days_to_go, found.start_on) == (2.0, day(5))


def test_sum_of_ndf_goes_the_other_way(guidelines: GuidelineSet) -> None:
    # 40 in the feed less 2 of handling is 38 standing; 2 days at 0.55 make 1.1; start at 36.9.
    # From 34.7 that is 2.2, 4 days.
    found = worked_sum(three(day(0), 34.7, index=Index.NDF), OwnNumbers(40, 2, 2), guidelines)
    assert found is not None
    assert (found.standing_target, round(found.start_level, 6)) == (38, 36.9)
    assert (found.days_to_go, found.start_on) == (4.0, day(4))


def test_sum_never_starts_later_than_the_crop_allows(guidelines: GuidelineSet) -> None:
    found = worked_sum(three(day(0), 203), OwnNumbers(160, 25, 3), guidelines)
    assert found is not None
    assert (found.days_to_go, found.start_on) == (1.5, day(1))
    late = worked_sum(three(day(0), 190), OwnNumbers(160, 25, 3), guidelines)
    assert late is not None
    assert late.days_to_go == -1.8
    assert late.start_on == day(-2)


def test_sum_begins_with_published_numbers(guidelines: GuidelineSet) -> None:
    found = worked_sum(three(day(0), 205), OwnNumbers(), guidelines)
    assert found is not None
    assert found.target == guidelines.value("feed_target.milking_cows.rfv")
    assert found.loss == guidelines.value("handling_loss.haylage.rfv")


def test_zero_is_a_number_of_ones_own(guidelines: GuidelineSet) -> None:
    found = worked_sum(three(day(0), 205), OwnNumbers(160, 0, 0), guidelines)
    assert found is not None
    assert (found.standing_target, found.start_level) == (160, 160)


def test_sum_is_in_the_index_asked_for_and_none_without_results(guidelines: GuidelineSet) -> None:
    both = three(day(0), 205)
    assert worked_sum(both, OwnNumbers(), guidelines, Index.RFQ) is None
    assert worked_sum(made(), OwnNumbers(), guidelines) is None


def test_instant_of_the_newest_result_is_that_of_all(area: Service) -> None:
    assert isinstance(results(area, ResultFilter(place="nowhere")).updated, datetime)


def test_results_up_to_the_day_it_is_in_the_area_are_shown(service: Service) -> None:
    service.enrol({"time_zone": "Pacific/Auckland"})
    publish(service, "North", "Valley road")
    service.results({"rfv": 205, "sampled_on": day(1).isoformat()})
    early = datetime.combine(MONDAY, time(6), tzinfo=UTC)  # 6 in the evening there
    with service.sessions.read() as session:
        for now, seen in ((early, 0), (early + timedelta(hours=8), 1)):
            found = area_results(
                session, "heron-flats", ResultFilter(), season_first_day=SEASON, now=now
            )
            assert len(found.results) == seen
