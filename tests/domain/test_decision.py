"""When a farm is written to, and with which kind of message: every situation there is.

The rules are those of `alerts.domain.decision`: a start date is coming when it falls inside the
notice (5 days here), has moved at 2 days or more, is called today or tomorrow, and is past once the
standing crop is below its standing target. Dates are days from TODAY.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.domain.days_ahead import DayAhead
from alerts.domain.decision import (
    AlertRules,
    Decision,
    Kind,
    Told,
    below_target,
    decide,
    stale_fields,
    told_also,
)
from alerts.domain.outlook import (
    HORIZON_DAYS,
    LOOK_BACK_DAYS,
    FarmOutlook,
    FieldOutlook,
    StartDates,
)
from alerts.domain.records import Index, WhichLoad
from alerts.domain.snapshot import FarmPlan

TODAY = date(2031, 5, 20)
RULES = AlertRules(moved_days=2, start_lead_days=1, stale_days=5)
NOTICE = 5

COMING, MOVED, START, PAST = Kind.COMING, Kind.MOVED, Kind.START, Kind.PAST
FAR = NOTICE + 7


def day(offset: int) -> date:
    return TODAY + timedelta(days=offset)


def field_of(
    start: int | None, *, meets: float = 0.8, last_on: int = -1, **said: Any
) -> FieldOutlook:
    dates = StartDates(
        p10=None if start is None else day(start - 3),
        median=None if start is None else day(start),
        p90=None if start is None else day(start + 3),
        chance_within_notice=0.5,
        waiting=(0.5,),
    )
    usual: dict[str, Any] = {
        "field_id": 1,
        "name": "Creek",
        "cutting": 1,
        "index": Index.RFV,
        "standing_target": 185.0,
        "results": 1,
        "last_on": day(last_on),
        "last_value": 205.0,
        "stands_in": "",
        "change_per_day": 4.0,
        "own_days": 2.0,
        "start": dates,
        "days": (DayAhead(TODAY, 200.0, 190.0, 210.0),),
        "meets_today": meets,
    }
    return FieldOutlook(**(usual | said))


def farm_of(*fields: FieldOutlook, notice_days: int = NOTICE, **said: Any) -> FarmOutlook:
    farm = FarmPlan(1, "Alder Bend", Index.RFV, 160.0, 25.0, 2.0, WhichLoad.LAST, notice_days)
    return FarmOutlook(farm=farm, cutting=1, start=fields[0].start, fields=fields, **said)


def told_of(*kinds: Kind, start: int, on: int = -1) -> Told:
    return Told(frozenset(kinds), day(start), day(on))


def kind_of(decision: Decision | None) -> Kind | None:
    return None if decision is None else decision.kind


def says(start: int | None, told: Told | None, **said: Any) -> Kind | None:
    return kind_of(decide(farm_of(field_of(start, **said)), told, TODAY, RULES))


# --- nothing told yet


@pytest.mark.parametrize(
    ("start", "kind"),
    [
        (-30, START),
        (-1, START),
        (0, START),
        (1, START),
        (2, COMING),
        (NOTICE, COMING),
        (NOTICE + 1, None),
        (FAR, None),
        (None, None),
    ],
)
def test_first_word_depends_on_how_near_the_start_is(start: int | None, kind: Kind | None) -> None:
    assert says(start, None) is kind


@pytest.mark.parametrize("start", [-5, 0, 3, FAR, None])
def test_first_word_of_a_crop_below_its_target_is_past(start: int | None) -> None:
    assert says(start, None, meets=0.49) is PAST


@pytest.mark.parametrize("told", [None, told_of(COMING, start=-9, on=-12)])
def test_crop_is_not_called_past_from_a_result_of_another_time(told: Told | None) -> None:
    assert says(-LOOK_BACK_DAYS, told, meets=0.0, last_on=-LOOK_BACK_DAYS) is PAST
    assert says(-LOOK_BACK_DAYS, told, meets=0.0, last_on=-LOOK_BACK_DAYS - 1) is None


def test_newest_result_of_the_farm_says_whether_it_is_of_this_time() -> None:
    old = field_of(-5, meets=0.1, last_on=-LOOK_BACK_DAYS - 9)
    fresh = field_of(2, field_id=2, name="West", last_on=-2)
    assert kind_of(decide(farm_of(old, fresh), None, TODAY, RULES)) is PAST


@pytest.mark.parametrize("start", [-5, 0, 3, FAR, None])
@pytest.mark.parametrize("meets", [0.2, 0.8])
@pytest.mark.parametrize("told", [None, told_of(COMING, start=9), told_of(COMING, START, start=0)])
def test_rough_outlook_is_never_told(start: int | None, meets: float, told: Told | None) -> None:
    field = field_of(start, meets=meets, results=0, last_on=-9)
    assert decide(farm_of(field, rough=True), told, TODAY, RULES) is None


def test_sample_of_another_field_does_not_show_that_this_crop_still_stands() -> None:
    told = told_of(START, start=-3, on=-4)
    assert says(-5, told, meets=0.2, last_on=-1) is PAST
    assert says(-5, told, meets=0.2, last_on=-1, stands_in="Upper Vale") is None


def test_notice_is_the_farmers_own() -> None:
    outlook = farm_of(field_of(9), notice_days=10)
    assert kind_of(decide(outlook, None, TODAY, RULES)) is COMING


def test_even_chance_still_meets_the_target() -> None:
    assert not below_target(farm_of(field_of(0, meets=0.5)))
    assert below_target(farm_of(field_of(0, meets=0.4999)))


def test_only_the_field_due_first_makes_a_farm_past() -> None:
    assert not below_target(farm_of(field_of(0), field_of(2, meets=0.1)))


# --- the date moves: today's lies `by` days from the one told two days ago

BY = (-5, -2, -1, 0, 1, 2, 5)


@pytest.mark.parametrize(
    ("kinds", "told_start", "expected"),
    [
        # far off: two days or more are news, in both directions
        ((COMING,), FAR, (MOVED, MOVED, None, None, None, MOVED, MOVED)),
        ((COMING, MOVED), FAR, (MOVED, MOVED, None, None, None, MOVED, MOVED)),
        # near: a date that moves to today or tomorrow is 'start'
        ((COMING,), 3, (START, START, None, None, None, MOVED, MOVED)),
        # tomorrow, and not yet called
        ((COMING,), 1, (START, START, START, START, None, MOVED, MOVED)),
        # today
        ((COMING,), 0, (START, START, START, START, START, MOVED, MOVED)),
        # the told date went by without 'start'
        ((COMING,), -2, (START, START, START, START, START, START, MOVED)),
        # called: it cannot become more urgent, only turn out to have been early
        ((COMING, START), 1, (None, None, None, None, None, MOVED, MOVED)),
        ((START,), 0, (None, None, None, None, None, MOVED, MOVED)),
        ((START,), -3, (None, None, None, None, None, None, MOVED)),
        # past: only a clear return into the future is news
        ((PAST,), -1, (None, None, None, None, None, None, MOVED)),
        ((COMING, START, PAST), 0, (None, None, None, None, None, MOVED, MOVED)),
    ],
)
@pytest.mark.parametrize("by", BY)
@pytest.mark.parametrize("last_on", [-9, 0])  # a sample taken since does not change these
def test_next_word_depends_on_what_was_told_and_how_far_the_date_moved(
    kinds: tuple[Kind, ...],
    told_start: int,
    expected: tuple[Kind | None, ...],
    by: int,
    last_on: int,
) -> None:
    told = told_of(*kinds, start=told_start, on=-2)
    assert says(told_start + by, told, last_on=last_on) is expected[BY.index(by)]


@pytest.mark.parametrize(("start", "kind"), [(FAR + 2, MOVED), (1, START)])
def test_moved_date_is_told_with_the_one_before(start: int, kind: Kind) -> None:
    told = told_of(COMING, start=FAR)
    decision = decide(farm_of(field_of(start)), told, TODAY, RULES)
    assert decision == Decision(kind, day(start), was=day(FAR))


def test_date_that_comes_as_told_is_called_without_mention_of_another() -> None:
    decision = decide(farm_of(field_of(1)), told_of(COMING, start=1), TODAY, RULES)
    assert decision == Decision(START, day(1))


def test_distance_at_which_a_date_has_moved_is_a_rule() -> None:
    rules = AlertRules(moved_days=4, start_lead_days=1, stale_days=5)
    told = told_of(COMING, start=FAR)
    assert decide(farm_of(field_of(FAR + 3)), told, TODAY, rules) is None
    assert kind_of(decide(farm_of(field_of(FAR + 4)), told, TODAY, rules)) is MOVED


def test_days_ahead_at_which_a_start_is_called_are_a_rule() -> None:
    rules = AlertRules(moved_days=2, start_lead_days=0, stale_days=5)
    told = told_of(COMING, start=1)
    assert decide(farm_of(field_of(1)), told, TODAY, rules) is None
    assert kind_of(decide(farm_of(field_of(0)), told, TODAY, rules)) is START


# --- past


@pytest.mark.parametrize("start", [-5, 0, FAR, None])
@pytest.mark.parametrize(
    ("kinds", "last_on", "kind"),
    [
        ((COMING,), -9, PAST),
        ((COMING, MOVED), -9, PAST),
        ((START,), -9, None),  # silence after 'start' usually means that the mower runs
        ((START,), -2, None),  # sampled the day 'start' was told
        ((START,), -1, PAST),  # sampled since: the crop still stands
        ((COMING, MOVED, START), 0, PAST),
        ((PAST,), 0, None),
        ((START, PAST), 0, None),
    ],
)
def test_past_is_said_once_and_after_start_only_with_a_newer_sample(
    start: int | None, kinds: tuple[Kind, ...], last_on: int, kind: Kind | None
) -> None:
    told = told_of(*kinds, start=-2, on=-2)
    assert says(start, told, meets=0.3, last_on=last_on) is kind


def test_sample_from_before_the_told_start_does_not_show_that_the_crop_stands() -> None:
    # told the day before yesterday to start today; yesterday's sample came before the mower
    told = told_of(START, start=0, on=-2)
    assert says(-1, told, meets=0.3, last_on=-1) is None


# --- a harvest under way


@pytest.mark.parametrize("told", [None, told_of(COMING, start=4), told_of(START, start=-1)])
@pytest.mark.parametrize("start", [-3, 0, 1, 4, FAR])
def test_harvest_under_way_needs_no_start_date(told: Told | None, start: int) -> None:
    assert decide(farm_of(field_of(start), under_way=True), told, TODAY, RULES) is None


def test_harvest_under_way_is_still_told_what_is_past() -> None:
    outlook = farm_of(field_of(-3, meets=0.2), under_way=True)
    assert kind_of(decide(outlook, told_of(COMING, start=4), TODAY, RULES)) is PAST


# --- beyond the horizon


def test_date_that_moves_beyond_the_horizon_is_only_not_before() -> None:
    told = told_of(COMING, start=4)
    decision = decide(farm_of(field_of(None)), told, TODAY, RULES)
    assert decision == Decision(MOVED, day(HORIZON_DAYS), was=day(4), beyond_horizon=True)


@pytest.mark.parametrize("later", range(8))
@pytest.mark.parametrize("told_for", [0, 1])  # told for the same day, or at night for the next
def test_horizon_that_moves_along_with_today_is_no_news(later: int, told_for: int) -> None:
    told = Told(frozenset({COMING, MOVED}), day(HORIZON_DAYS), day(told_for))
    assert decide(farm_of(field_of(None)), told, day(later), RULES) is None


def test_date_that_comes_back_from_beyond_the_horizon_is_news() -> None:
    told = Told(frozenset({COMING, MOVED}), day(HORIZON_DAYS - 3), day(-3))
    assert says(20, told) is MOVED


# --- what is remembered


def test_told_also_adds_up() -> None:
    told = told_also(None, COMING, day(4), day(0))
    assert told == Told(frozenset({COMING}), day(4), day(0))
    told = told_also(told, START, day(3), day(2))
    assert told == Told(frozenset({COMING, START}), day(3), day(2))


@pytest.mark.parametrize("before", [START, PAST])
def test_moved_date_takes_back_what_was_said_of_the_old_one(before: Kind) -> None:
    told = told_also(told_of(COMING, before, start=0), MOVED, day(6), day(0))
    assert told == Told(frozenset({COMING, MOVED}), day(6), day(0))


# --- whole stories: one look a day, each message told


def story(*mornings: tuple[int | None, float], quiet: int = 0) -> list[tuple[int, Kind, int]]:
    """What is said, as (morning, kind, start), given each morning's start and chance of meeting.

    Starts are days from the first morning. A sample is taken each morning, except on the `quiet`
    ones that follow the last, on which nothing new is known.
    """
    told: Told | None = None
    words = []
    for morning, (start, meets) in enumerate([*mornings, *[mornings[-1]] * quiet]):
        today, last_on = day(morning), min(morning, len(mornings) - 1)
        outlook = farm_of(field_of(start, meets=meets, last_on=last_on))
        decision = decide(outlook, told, today, RULES)
        if decision is not None:
            told = told_also(told, decision.kind, decision.start_on, today)
            words.append((morning, decision.kind, (decision.start_on - TODAY).days))
    return words


def steady(*starts: int | None) -> list[tuple[int | None, float]]:
    return [(start, 0.9) for start in starts]


def test_date_that_wobbles_by_a_day_is_told_twice_in_all() -> None:
    words = story(*steady(8, 9, 8, 8, 9, 7, 8, 9, 8))
    assert words == [(3, COMING, 8), (8, START, 8)]


def test_date_that_creeps_is_told_when_it_has_crept_two_days() -> None:
    assert story(*steady(5, 6, 7, 8, 9, 9, 9)) == [
        (0, COMING, 5),
        (2, MOVED, 7),
        (4, MOVED, 9),
    ]


def test_start_that_moved_away_is_called_again_when_it_comes() -> None:
    words = story(*steady(1, 1, 8, 8, 8, 8, 8, 8, 8))
    assert words == [(0, START, 1), (2, MOVED, 8), (7, START, 8)]


def test_start_that_moved_away_can_move_back() -> None:
    assert story(*steady(1, 9, 9, 6)) == [(0, START, 1), (1, MOVED, 9), (3, MOVED, 6)]


def test_past_that_was_wrong_is_followed_by_one_move_and_a_start() -> None:
    words = story((-1, 0.3), (7, 0.9), (7, 0.9), (7, 0.9), (7, 0.9), (7, 0.9), (7, 0.9), (7, 0.9))
    assert words == [(0, PAST, -1), (1, MOVED, 7), (6, START, 7)]


def test_crop_that_hovers_about_its_target_is_called_past_once() -> None:
    assert story((0, 0.49), (1, 0.51), (1, 0.49), (2, 0.51)) == [(0, PAST, 0)]


def test_crop_beyond_the_horizon_is_told_once() -> None:
    assert story(*steady(4, None, None, None, None, None)) == [(0, COMING, 4), (1, MOVED, 76)]


MORNING = st.tuples(st.none() | st.integers(-10, 40), st.sampled_from([0.1, 0.49, 0.5, 0.9]))


@settings(deadline=None)
@given(st.lists(MORNING, min_size=1, max_size=12), MORNING)
def test_nothing_is_said_twice_on_one_day(
    before: list[tuple[int | None, float]], now: tuple[int | None, float]
) -> None:
    mornings = [*before, now]
    words = story(*mornings)
    told: Told | None = None
    for morning, kind, start_told in words:
        told = told_also(told, kind, day(start_told), day(morning))
    today = len(mornings) - 1
    start, meets = now
    if words and words[-1][0] == today:
        again = farm_of(field_of(start, meets=meets, last_on=today))
        assert decide(again, told, day(today), RULES) is None


@settings(deadline=None)
@given(st.lists(MORNING, min_size=1, max_size=5), st.integers(1, 6))
def test_day_without_news_brings_at_most_the_call_to_start(
    mornings: list[tuple[int | None, float]], quiet: int
) -> None:
    words = story(*mornings, quiet=quiet)
    after = [kind for morning, kind, _ in words if morning >= len(mornings)]
    # the date comes nearer by itself: first 'coming', then 'start', each once at most
    assert after in ([], [COMING], [START], [COMING, START])


# --- fields gone silent


def stale(*fields: FieldOutlook, watched: tuple[int, ...] = (1, 2)) -> list[int]:
    found = stale_fields(farm_of(*fields), frozenset(watched), TODAY, RULES)
    return [field.field_id for field in found]


@pytest.mark.parametrize(("last_on", "silent"), [(-4, []), (-5, []), (-6, [1]), (-20, [1])])
def test_field_is_stale_after_more_days_than_the_rule(last_on: int, silent: list[int]) -> None:
    assert stale(field_of(4, last_on=last_on)) == silent


@pytest.mark.parametrize(
    ("early", "silent"), [(-5, [1]), (0, [1]), (2 * NOTICE, [1]), (2 * NOTICE + 1, [])]
)
def test_silence_counts_once_the_early_end_lies_within_twice_the_notice(
    early: int, silent: list[int]
) -> None:
    assert stale(field_of(early + 3, last_on=-6)) == silent  # the early end is 3 days before


def test_silence_counts_for_ten_days_even_with_a_short_notice() -> None:
    outlook = farm_of(field_of(13, last_on=-6), notice_days=0)
    assert stale_fields(outlook, frozenset({1}), TODAY, RULES)
    outlook = farm_of(field_of(14, last_on=-6), notice_days=0)
    assert not stale_fields(outlook, frozenset({1}), TODAY, RULES)


def test_only_watched_fields_with_results_of_their_own_are_stale() -> None:
    sampled = field_of(4, last_on=-6)
    stands_in = field_of(4, last_on=-6, field_id=2, stands_in="Creek")
    assert stale(sampled, stands_in) == [1]
    assert stale(sampled, stands_in, watched=(2,)) == []
    assert stale(field_of(4, last_on=-6), field_of(5, last_on=-1, field_id=2)) == [1]


def test_no_field_is_stale_when_the_season_is_far_or_over() -> None:
    assert stale(field_of(None, last_on=-6)) == []
    assert stale(field_of(-3, last_on=-6, meets=0.3)) == []
