"""A farm of several fields: its order, its one start day, and the fields nobody sampled.

NDF throughout, where the arithmetic can be done by hand: 38 % standing wanted (40 stored, 2 gained
on the way), pure alfalfa rising 0.55 a day. Days are counted from the sampling day.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from itertools import accumulate, permutations
from typing import Any

import pytest
from area_rows import FieldPlan
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.domain.guidelines import GuidelineSet
from alerts.domain.outlook import FarmOutlook
from alerts.domain.records import Index, Method, WhichLoad
from alerts.domain.snapshot import FarmPlan

SAMPLED = date(2031, 5, 12)

Look = Callable[..., tuple[FarmOutlook, ...]]
Plan = Callable[..., FarmPlan]
Field = Callable[..., FieldPlan]
LookAt = Callable[..., FarmOutlook]


def clip(field: int, ndf: float) -> tuple[Any, ...]:
    return (field, SAMPLED, ndf, Method.WET_CHEMISTRY, 0, False)


@pytest.fixture(scope="session")
def look_at(look: Look, farm_plan: Plan) -> LookAt:
    """The outlook of one farm on the sampling day."""

    def at(fields: list[FieldPlan], *rows: tuple[Any, ...], **farm: Any) -> FarmOutlook:
        plan = farm_plan(index=Index.NDF, feed_target=40.0, handling_loss=2.0, **farm)
        (found,) = look([plan], fields, rows, SAMPLED)
        return found

    return at


def days_after(day: date | None) -> int:
    assert day is not None
    return (day - SAMPLED).days


def names(outlook: FarmOutlook) -> list[str]:
    return [field.name for field in outlook.fields]


# --- one crew, one start day


def test_farm_starts_on_the_latest_day_on_which_every_field_meets_its_target(
    look_at: LookAt, field_plan: Field
) -> None:
    # our arithmetic, for fields that share nothing: Creek is due on day (38 - 35) / 0.55 = 5.45,
    # Hill on (38 - 36) / 0.55 = 3.64, so Hill goes first; five days each. Hill must start by
    # 3.64 - 5 = -1.36, Creek by 5.45 - 5 = 0.45, the farm for Creek by 5.45 - 10 = -4.55. Hill and
    # Creek draw each other nearer by up to 0.2 days, and Hill decides now and then: a day sooner.
    fields = [field_plan(1, "Creek"), field_plan(2, "Hill")]
    outlook = look_at(fields, clip(0, 35.0), clip(1, 36.0), harvest_days=10.0)
    assert names(outlook) == ["Hill", "Creek"]
    assert [field.own_days for field in outlook.fields] == [5.0, 5.0]
    assert [days_after(field.start.median) for field in outlook.fields] == [-2, 0]
    assert days_after(outlook.start.median) in (-6, -5)


def test_field_due_first_can_decide_the_start_of_the_farm(
    look_at: LookAt, field_plan: Field
) -> None:
    # our arithmetic: Hill is due on day (38 - 37) / 0.55 = 1.82 and takes one day: start by 0.82;
    # Creek, due on (38 - 33) / 0.55 = 9.09 and done on the third day, would have time until 6.09.
    # Hill is drawn a little towards Creek, by less than half a day: see the dense Gaussian below.
    fields = [field_plan(1, "Creek", acres=40.0), field_plan(2, "Hill", acres=20.0)]
    outlook = look_at(fields, clip(0, 33.0), clip(1, 37.0), harvest_days=3.0)
    assert names(outlook) == ["Hill", "Creek"]
    assert days_after(outlook.start.median) == 0
    assert outlook.tightest is outlook.fields[0]


def test_average_of_a_farm_weighs_its_fields_by_their_days(
    look_at: LookAt, field_plan: Field
) -> None:
    # our arithmetic: Hill (NDF 36) takes 2 of 8 days and goes first, Creek (34.6) takes 6; their
    # middles lie 1 and 5 days after the start S, so the crop averages
    # 0.25 (36 + 0.55 (S + 1)) + 0.75 (34.6 + 0.55 (S + 5)) = 37.15 + 0.55 S, 38 at S = 1.5;
    # for the last load Creek asks for (38 - 34.6) / 0.55 - 8 = -1.8, and Hill decides now and then
    fields = [field_plan(1, "Creek", acres=30.0), field_plan(2, "Hill", acres=10.0)]
    rows = (clip(0, 34.6), clip(1, 36.0))
    average = look_at(fields, *rows, harvest_days=8.0, which_load=WhichLoad.AVERAGE)
    assert days_after(average.start.median) == 1
    assert days_after(look_at(fields, *rows, harvest_days=8.0).start.median) in (-3, -2)


@pytest.mark.parametrize("count", [2, 3, 5, 7])
@pytest.mark.parametrize("ndf", [31.0, 33.0, 36.0])
def test_equal_fields_start_a_little_earlier_than_one_of_their_size(
    look_at: LookAt, field_plan: Field, dense: Callable[..., Any], count: int, ndf: float
) -> None:
    # The one that turns out ripest decides: never later than the last one alone, whose result is
    # that of one field of the farm's size. And the greatest of n normal numbers is on average at
    # most sd * sqrt(2 ln n) above their mean (Boucheron, S.; Lugosi, G.; Massart, P., 2013,
    # Concentration inequalities, from memory): sd is that of what a field has for itself, here
    # bounded by the difference of two fields over the root of 2, in days of 0.55.
    one = look_at([field_plan()], clip(0, ndf), harvest_days=6.0)
    fields = [field_plan(i, f"Field {i}") for i in range(count)]
    split = look_at(fields, *(clip(i, ndf) for i in range(count)), harvest_days=6.0)
    sooner = days_after(one.start.median) - days_after(split.start.median)
    model = dense(apart=2.0)
    due = model.reached([(0, 0.0, ndf)], 0, 38.0, 0.0)
    error = 1 / math.hypot(1 / 1.4, 1 / (2 * model.guidelines.value("field_level.ndf")))
    pace = 2 * model.guidelines.value("rate_share.field") * due
    most = math.hypot(error / 0.55, pace) * math.sqrt(2 * math.log(count))
    assert 0 <= sooner <= math.ceil(most)
    assert days_after(split.start.p90) <= days_after(one.start.p90)
    assert names(split) == [field.name for field in fields]


@st.composite
def farms(draw: st.DrawFn) -> list[tuple[float, int, float]]:
    """Fields of a farm: NDF, whole days of harvest, % grass."""
    field = st.tuples(
        st.floats(28.0, 40.0), st.integers(1, 4), st.sampled_from([0.0, 25.0, 50.0, 100.0])
    )
    return draw(st.lists(field, min_size=1, max_size=7))


@settings(deadline=None, max_examples=40)
@given(farms())
def test_no_other_order_lets_the_farm_start_later(
    look_at: LookAt, field_plan: Field, farm: list[tuple[float, int, float]]
) -> None:
    # every order of up to 7 fields; whole days, so that cutting fractions off changes nothing
    fields = [
        field_plan(i, f"Field {i}", acres=10.0 * days, grass_pct=grass)
        for i, (_, days, grass) in enumerate(farm)
    ]
    rows = [clip(i, ndf) for i, (ndf, *_) in enumerate(farm)]
    outlook = look_at(fields, *rows, harvest_days=float(sum(days for _, days, _ in farm)))
    jobs = [
        (days_after(field.start.median) + round(field.own_days), round(field.own_days))
        for field in outlook.fields
        if field.start.median is not None
    ]
    assert len(jobs) == len(farm)

    def latest(order: Sequence[tuple[int, int]]) -> int:
        done = accumulate(days for _, days in order)
        return min(due - after for (due, _), after in zip(order, done, strict=True))

    best = max(latest(order) for order in permutations(jobs))
    assert latest(jobs) == best
    assert days_after(outlook.start.median) <= best


# --- fields of one area learn from each other


@pytest.mark.parametrize(("creek", "hill"), [(35.0, 36.0), (33.0, 37.0), (34.0, 34.0)])
def test_sampled_fields_draw_each_other_nearer(
    look: Look,
    farm_plan: Plan,
    field_plan: Field,
    dense: Callable[..., Any],
    creek: float,
    hill: float,
) -> None:
    # the model once more as one dense Gaussian, between the published spread of fields and twice it
    goal = {"index": Index.NDF, "feed_target": 40.0, "handling_loss": 2.0}
    farms = [farm_plan(**goal), farm_plan(id=2, name="Birch Run", **goal)]
    fields = [field_plan(1, "Creek"), field_plan(2, "Hill"), field_plan(3, "Moss", farm=1)]
    found = look(farms, fields, [clip(0, creek), clip(1, hill)], SAMPLED)
    today = {field.name: field.days[0] for farm in found for field in farm.fields}
    for place, name in enumerate(("Creek", "Hill", "Moss")):
        near, far = (
            dense(apart=apart).at([(0, 0.0, creek), (1, 0.0, hill)], place, 0.0)
            for apart in (1.0, 2.0)
        )
        low, high = sorted((near[0], far[0]))
        assert low - 0.01 <= today[name].median <= high + 0.01
        half = (today[name].high - today[name].low) / 2
        assert 1.2816 * near[1] - 0.02 <= half <= 1.2816 * far[1] + 0.02
    assert abs(today["Creek"].median - today["Hill"].median) <= abs(creek - hill)
    between = sorted((today["Creek"].median, today["Hill"].median))
    assert between[0] - 0.1 <= today["Moss"].median <= between[1] + 0.4


def test_grassy_field_goes_before_pure_alfalfa_of_the_same_ndf(
    look_at: LookAt, field_plan: Field
) -> None:
    # common practice: grassiest first (Kaatz, P., 2010-2015, Growing degree days for timing first
    # cutting alfalfa: grassiest first, then purest alfalfa)
    fields = [
        field_plan(1, "Pure"),
        field_plan(2, "Grass", grass_pct=100.0),
        field_plan(3, "Half", grass_pct=50.0),
    ]
    outlook = look_at(fields, clip(0, 34.0), clip(1, 34.0), clip(2, 34.0))
    assert names(outlook) == ["Grass", "Half", "Pure"]


# --- days of the harvest


def test_days_are_shared_by_acres(look_at: LookAt, field_plan: Field) -> None:
    fields = [field_plan(1, "Creek", acres=45.0), field_plan(2, "Hill", acres=15.0)]
    outlook = look_at(fields, clip(0, 36.0), clip(1, 35.0), harvest_days=8.0)
    assert {field.name: field.own_days for field in outlook.fields} == {"Creek": 6.0, "Hill": 2.0}


def test_field_without_acres_takes_the_days_of_a_typical_one(
    look_at: LookAt, field_plan: Field
) -> None:
    fields = [
        field_plan(1, "Creek", acres=40.0),
        field_plan(2, "Hill", acres=20.0),
        field_plan(3, "Moss"),
    ]
    outlook = look_at(fields, *(clip(i, 35.0) for i in range(3)), harvest_days=9.0)
    days = {field.name: field.own_days for field in outlook.fields}
    assert days == pytest.approx({"Creek": 4.0, "Hill": 2.0, "Moss": 3.0})


def test_fields_without_any_acres_share_the_days_evenly(look_at: LookAt, field_plan: Field) -> None:
    fields = [field_plan(1, "Creek"), field_plan(2, "Hill")]
    outlook = look_at(fields, clip(0, 35.0), clip(1, 36.0), harvest_days=5.0)
    assert [field.own_days for field in outlook.fields] == [2.5, 2.5]


def test_fields_of_no_acres_share_the_days_evenly(look_at: LookAt, field_plan: Field) -> None:
    fields = [field_plan(1, "Creek", acres=0.0), field_plan(2, "Hill", acres=0.0)]
    outlook = look_at(fields, clip(0, 35.0), clip(1, 36.0), harvest_days=5.0)
    assert [field.own_days for field in outlook.fields] == [2.5, 2.5]


# --- fields nobody sampled


def test_unsampled_field_goes_by_the_others_and_says_so(look_at: LookAt, field_plan: Field) -> None:
    fields = [field_plan(1, "Creek"), field_plan(2, "Hill"), field_plan(3, "Moss")]
    outlook = look_at(fields, clip(0, 34.0), clip(1, 36.0), harvest_days=6.0)
    assert names(outlook) == ["Hill", "Moss", "Creek"]
    hill, moss, creek = outlook.fields
    assert (hill.stands_in, moss.stands_in, creek.stands_in) == ("", "Creek", "")
    assert (moss.results, moss.last_on, moss.last_value) == (0, SAMPLED, 34.0)
    for now, one, other in zip(moss.days, hill.days, creek.days, strict=True):
        assert now.median == pytest.approx((one.median + other.median) / 2, abs=0.02)


@pytest.mark.parametrize("which_load", WhichLoad)
@pytest.mark.parametrize("grass_pct", [0.0, 10.0, 40.0])
def test_unsampled_field_is_shown_as_it_is_counted(
    look_at: LookAt, field_plan: Field, which_load: WhichLoad, grass_pct: float
) -> None:
    # one crew: no day to start the farm can lie behind the last one of a field of it whose last
    # load counts; and chance and quality of one day must speak of the same crop
    fields = [field_plan(1, "Creek"), field_plan(2, "Moss", grass_pct=grass_pct)]
    outlook = look_at(fields, clip(0, 33.0), harvest_days=3.0, which_load=which_load)
    for field in outlook.fields:
        if which_load is WhichLoad.LAST:
            assert days_after(outlook.start.median) <= days_after(field.start.median)
        for today, chance in zip(field.days, field.start.waiting, strict=True):
            # the load that counts is cut later, so it is no better than what stands on that day
            if today.low >= 38.0:
                assert chance >= 0.9
            if today.median >= 38.0:
                assert chance >= 0.5
    creek = next(field for field in outlook.fields if field.name == "Creek")
    moss = next(field for field in outlook.fields if field.name == "Moss")
    if not grass_pct:
        assert (moss.start, moss.days, moss.meets_today) == (
            *(creek.start, creek.days, creek.meets_today),
        )


@pytest.mark.parametrize("which_load", WhichLoad)
def test_load_that_counts_misses_where_its_chance_is_over_one_half(
    look_at: LookAt, field_plan: Field, which_load: WhichLoad
) -> None:
    fields = [field_plan(1, "Creek", acres=30.0), field_plan(2, "Hill", acres=10.0)]
    rows = (clip(0, 34.6), clip(1, 36.0))
    outlook = look_at(fields, *rows, harvest_days=4.0, which_load=which_load)
    for start in (outlook.start, *(field.start for field in outlook.fields)):
        assert len(start.load) == len(start.waiting)
        assert list(start.load) == sorted(start.load)
        for value, chance in zip(start.load, start.waiting, strict=True):
            assert (value > 38.0 + 0.02) <= (chance >= 0.5)
            assert (value < 38.0 - 0.02) <= (chance <= 0.5)
    # our arithmetic, of one field alone: what stands today and the rise of its own days
    hill = next(field for field in outlook.fields if field.name == "Hill")
    days = hill.own_days * (1.0 if which_load is WhichLoad.LAST else 0.5)
    assert hill.start.load[0] == pytest.approx(
        hill.days[0].median + days * hill.change_per_day, abs=0.05
    )


def test_newest_result_of_the_farm_stands_in(look_at: LookAt, field_plan: Field) -> None:
    fields = [field_plan(1, "Creek"), field_plan(2, "Hill"), field_plan(3, "Moss")]
    old = (0, SAMPLED - timedelta(days=3), 33.0, Method.WET_CHEMISTRY, 0, False)
    outlook = look_at(fields, old, clip(1, 36.0))
    (moss,) = (field for field in outlook.fields if field.name == "Moss")
    assert (moss.stands_in, moss.last_value) == ("Hill", 36.0)


def test_unsampled_farm_goes_by_the_area_and_says_so(
    look: Look, farm_plan: Plan, field_plan: Field
) -> None:
    farms = [farm_plan(id=1, name="Alder Bend"), farm_plan(id=2, name="Birch Run")]
    fields = [field_plan(1, "Creek", farm=0), field_plan(2, "Hill", farm=1)]
    rows = [(0, SAMPLED, 205.0, Method.WET_CHEMISTRY, 0, False)]
    alder, birch = look(farms, fields, rows, SAMPLED)
    assert (alder.farm.name, birch.farm.name) == ("Alder Bend", "Birch Run")
    field = birch.tightest
    assert (field.results, field.stands_in, field.is_area) == (0, "Upper Vale", True)
    # one stranger's result is nobody's business
    assert (field.last_on, field.last_value, field.area_fields) == (None, None, 0)
    assert not alder.rough
    assert days_after(birch.start.p10) < days_after(alder.start.p10)
    assert days_after(birch.start.p90) > days_after(alder.start.p90)


def test_few_fields_do_not_speak_for_an_area(
    look: Look, farm_plan: Plan, field_plan: Field, guidelines: GuidelineSet
) -> None:
    # one farm's fields say little of another's: rough until enough of the area is sampled
    enough = int(guidelines.value("alerts.fields_for_area"))
    farms = [farm_plan(id=1, name="Alder Bend"), farm_plan(id=2, name="Birch Run")]
    fields = [field_plan(i, f"Field {i}") for i in range(enough)]
    fields.append(field_plan(99, "Hill", farm=1))
    for sampled in range(1, enough + 1):
        rows = [(i, SAMPLED, 205.0, Method.WET_CHEMISTRY, 0, False) for i in range(sampled)]
        # a second clip of a field does not make it two
        alder, birch = look(farms, fields, [*rows, rows[0]], SAMPLED)
        assert not alder.rough
        assert birch.rough is (sampled < enough)


def test_field_elsewhere_in_the_area_on_another_cutting_says_nothing(
    look: Look, farm_plan: Plan, field_plan: Field
) -> None:
    farms = [farm_plan(id=1, name="Alder Bend"), farm_plan(id=2, name="Birch Run")]
    fields = [field_plan(1, "Creek", farm=0), field_plan(2, "Hill", farm=1, cutting=2)]
    rows = [
        (0, SAMPLED, 205.0, Method.WET_CHEMISTRY, 0, False),
        (1, SAMPLED, 150.0, Method.WET_CHEMISTRY, 0, False),
    ]
    both = look(farms, fields, rows, SAMPLED)
    alder = look(farms[:1], fields[:1], rows[:1], SAMPLED)
    birch = look(farms[1:], [field_plan(2, "Hill", cutting=2)], [(0, *rows[1][1:])], SAMPLED)
    assert both == alder + birch


# --- cuttings


def test_field_already_cut_is_left_out_and_keeps_its_share_of_days(
    look_at: LookAt, field_plan: Field
) -> None:
    fields = [field_plan(1, "Creek"), field_plan(2, "Hill", cutting=2), field_plan(3, "Moss")]
    outlook = look_at(fields, clip(0, 35.0), clip(1, 30.0), clip(2, 36.0), harvest_days=6.0)
    assert outlook.cutting == 1
    assert names(outlook) == ["Moss", "Creek"]
    assert [field.own_days for field in outlook.fields] == [2.0, 2.0]
    assert outlook.under_way
    # our arithmetic: Moss is due on 3.64 and done on 2, Creek due on 5.45 and done on 4: by 1.45,
    # or where Moss turns out riper, which it does now and then, sooner; 400,000 plain draws of the
    # same posterior put the middle at 0.05, and a start within a day is that day's
    assert days_after(outlook.start.median) == 0


def test_harvest_not_begun_is_not_under_way(look_at: LookAt, field_plan: Field) -> None:
    fields = [field_plan(1, "Creek", cutting=2), field_plan(2, "Hill", cutting=2)]
    outlook = look_at(fields, clip(0, 35.0), clip(1, 36.0))
    assert outlook.cutting == 2
    assert not outlook.under_way


def test_later_cutting_waits_until_the_present_one_is_done(
    look: Look, farm_plan: Plan, field_plan: Field
) -> None:
    # only the field on its second cutting has a result: nothing is known of the present harvest
    fields = [field_plan(1, "Creek"), field_plan(2, "Hill", cutting=2)]
    rows = [(1, SAMPLED, 205.0, Method.WET_CHEMISTRY, 0, False)]
    assert look([farm_plan()], fields, rows, SAMPLED) == ()


def test_field_that_does_not_mature_goes_last(
    look: Look, farm_plan: Plan, field_plan: Field
) -> None:
    # twice RFV 120, then twice 320: such results turn the line of a later cutting around
    fields = [field_plan(1, "Odd", cutting=3), field_plan(2, "Creek", cutting=3)]
    odd = [
        (0, SAMPLED - timedelta(days=back), value, Method.WET_CHEMISTRY, 0, False)
        for back, value in ((20, 120.0), (17, 120.0), (3, 320.0), (0, 320.0))
    ]
    rows = [*odd, (1, SAMPLED, 205.0, Method.WET_CHEMISTRY, 0, False)]
    (outlook,) = look([farm_plan()], fields, rows, SAMPLED)
    assert [field.name for field in outlook.fields] == ["Creek", "Odd"]
    assert outlook.fields[1].start.median is None


# --- what nobody sampled is not held against the date


@pytest.mark.parametrize("unsampled", [1, 3])
def test_unsampled_fields_do_not_pull_the_start_of_a_sampled_farm(
    look_at: LookAt, field_plan: Field, unsampled: int
) -> None:
    # our arithmetic: all of the farm goes as the sampled field, so it starts as one field of the
    # farm's size would
    fields = [field_plan(1, "Creek"), *(field_plan(2 + k, f"Far {k}") for k in range(unsampled))]
    together = look_at(fields, clip(0, 33.0), harvest_days=4.0)
    single = look_at([field_plan(1, "Creek")], clip(0, 33.0), harvest_days=4.0)
    assert days_after(together.start.median) == days_after(single.start.median)
    assert days_after(together.start.p10) == days_after(single.start.p10)


def test_unsampled_field_names_a_result_of_its_own_farm_before_a_newer_one_of_the_area(
    look: Look, farm_plan: Plan, field_plan: Field
) -> None:
    goal = {"index": Index.NDF, "feed_target": 40.0, "handling_loss": 2.0}
    farms = [farm_plan(**goal), farm_plan(id=2, name="Birch", **goal)]
    fields = [
        field_plan(1, "Creek"),
        field_plan(2, "Far"),
        field_plan(3, "Hill", farm=1),
    ]
    newer = (2, SAMPLED + timedelta(days=1), 31.0, Method.WET_CHEMISTRY, 0, False)
    found = look(farms, fields, [clip(0, 33.0), newer], SAMPLED + timedelta(days=1))
    [far] = [field for field in found[0].fields if field.name == "Far"]
    assert (far.results, far.stands_in, far.last_value) == (0, "Creek", 33.0)
