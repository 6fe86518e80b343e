"""Orders and start days against brute force, against drawn springs, and against hand arithmetic."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from alerts.agronomy.harvest import chance_start_meets, due_order, latest_day, once_missed
from alerts.agronomy.projection import Lines
from alerts.agronomy.scale import Floats

CHANCES = st.lists(st.floats(min_value=0, max_value=1), min_size=1, max_size=20)


def lines_of(
    level: Sequence[float], rate: Sequence[float], level_sd: float = 1.8, rate_sd: float = 0.12
) -> Lines:
    """Lines with these levels [% NDF] on day 0."""
    shape = len(level)
    return Lines(
        middle=np.zeros(shape),
        level=np.array(level, dtype=np.float64),
        level_var=np.full(shape, level_sd**2),
        rate=np.array(rate, dtype=np.float64),
        rate_var=np.full(shape, rate_sd**2),
    )


# --- order of fields


def worst_lateness(order: NDArray[np.intp], work: Floats, due: Floats) -> float:
    return float((np.cumsum(work[order]) - due[order]).max())


@settings(deadline=None, max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.floats(min_value=0, max_value=10),  # days a field takes
            st.floats(min_value=0, max_value=40),  # day it is due
        ),
        min_size=1,
        max_size=7,
    )
)
def test_due_order_has_the_least_worst_lateness_of_all_orders(
    fields: list[tuple[float, float]],
) -> None:
    # Jackson, J.R., 1955, Scheduling a production line to minimize maximum tardiness (from memory)
    work, due = (np.array(column) for column in zip(*fields, strict=True))
    every = np.array(list(permutations(range(len(fields)))), dtype=np.intp)
    best = (np.cumsum(work[every], axis=1) - due[every]).max(axis=1).min()
    assert worst_lateness(due_order(due), work, due) == pytest.approx(float(best), abs=1e-9)


def test_due_order_keeps_the_given_order_of_equal_dates() -> None:
    assert due_order([140, 137, 140, 137]).tolist() == [1, 3, 0, 2]


def test_due_order_puts_an_unknown_date_last() -> None:
    assert due_order([140, np.nan, 137]).tolist() == [2, 0, 1]


# --- chance of meeting the target


@settings(deadline=None)
@given(
    st.floats(min_value=30, max_value=37.9),
    st.floats(min_value=0.05, max_value=1.5),
    st.floats(min_value=0.5, max_value=4),
    st.floats(min_value=0.01, max_value=0.5),
    st.booleans(),
)
def test_chance_falls_from_day_to_day_while_a_crop_matures(
    level: float, rate: float, level_sd: float, rate_sd: float, average: bool
) -> None:
    lines = lines_of([level, level - 1.0], [rate, rate], level_sd, rate_sd)
    days = np.arange(0.0, 60.0)
    chance = chance_start_meets(lines, [38.0, 38.0], [0, 1], [2.0, 3.0], days, average=average)
    assert (np.diff(chance) <= 1e-15).all()
    assert chance[0] > chance[-1]


def test_last_load_of_one_field_is_done_a_whole_harvest_later() -> None:
    # our arithmetic: NDF 34 rising 0.5 a day is 38 on day 8, less a harvest of 3 days
    lines = lines_of([34.0], [0.5])
    chance = chance_start_meets(lines, [38.0], [0], [3.0], [4.0, 5.0, 6.0], average=False)
    assert chance[0] > 0.5 > chance[2]
    assert chance[1] == pytest.approx(0.5)


def test_average_of_one_field_is_that_of_half_its_harvest() -> None:
    lines = lines_of([34.0], [0.5])
    chance = chance_start_meets(lines, [38.0], [0], [3.0], [6.0, 6.5, 7.0], average=True)
    assert chance[0] > 0.5 > chance[2]
    assert chance[1] == pytest.approx(0.5)


def test_average_lets_a_harvest_start_half_its_length_later_than_last_load() -> None:
    # common practice: the middle of the harvest meets the target; a 14-day harvest, so 7 days
    lines = lines_of([30.0], [0.5])
    days = np.arange(0, 40)
    start = {
        average: latest_day(
            chance_start_meets(lines, [40.0], [0], [14.0], days, average=average), days, 0.5
        )
        for average in (False, True)
    }
    assert start == {False: 6, True: 13}


def test_last_load_waits_for_the_tightest_field() -> None:
    # our arithmetic, fields in harvest order with 2 days each: the first may start on day
    # (38 - 36) / 0.5 - 2 = 2, the second on day (38 - 35.5) / 0.5 - 4 = 1
    lines = lines_of([36.0, 35.5], [0.5, 0.5])
    chance = chance_start_meets(lines, [38, 38], [0, 1], [2, 2], [0.9, 1.0, 1.1], average=False)
    assert chance[0] > 0.5 > chance[2]
    assert chance[1] == pytest.approx(0.5)


def test_average_weighs_fields_by_their_days() -> None:
    # our arithmetic: 2 days at NDF 36 and 6 at 35, middles on days 1 and 5 after the start, so
    # 0.25 (36 + 0.5 (S + 1)) + 0.75 (35 + 0.5 (S + 5)) = 37.25 + 0.5 S is 38 at S = 1.5
    lines = lines_of([36.0, 35.0], [0.5, 0.5])
    chance = chance_start_meets(lines, [38, 38], [0, 1], [2, 6], [1.4, 1.5, 1.6], average=True)
    assert chance[0] > 0.5 > chance[2]
    assert chance[1] == pytest.approx(0.5)


@pytest.mark.parametrize("average", [False, True])
def test_chance_equals_that_of_drawn_springs_which_move_all_fields_together(average: bool) -> None:
    lines = lines_of([33.0, 34.0, 34.5], [0.6, 0.5, 0.8])
    target, order, own_days = np.array([38.0, 39.0, 38.5]), np.array([2, 0, 1]), [1.0, 3.0, 2.0]
    start = 2.0
    chance = chance_start_meets(lines, target, order, own_days, [start], average=average)

    # a spring of rank z puts every field z standard deviations ahead of its line
    springs = np.random.default_rng(20310517).standard_normal(200_000)
    work = np.array(own_days)[order]
    end = start + np.cumsum(work)
    when = end - work / 2 if average else end
    mean = lines.level[order] + lines.rate[order] * when
    sd = np.sqrt(lines.level_var[order] + lines.rate_var[order] * when**2)
    spare = target[order] - (mean + sd * springs[:, None])
    kept = spare @ (work / work.sum()) >= 0 if average else (spare >= 0).all(axis=1)
    # 200 000 draws of a share near one half have a standard error of 0.0011
    assert chance[0] == pytest.approx(kept.mean(), abs=0.005)


@pytest.mark.parametrize("fields", [2, 5, 20])
@pytest.mark.parametrize("average", [False, True])
def test_equal_fields_start_when_one_field_of_their_size_would(fields: int, average: bool) -> None:
    days = np.arange(0, 40)
    whole = chance_start_meets(lines_of([32.0], [0.5]), [40], [0], [6], days, average=average)
    split = chance_start_meets(
        lines_of([32.0] * fields, [0.5] * fields),
        [40] * fields,
        range(fields),
        [6 / fields] * fields,
        days,
        average=average,
    )
    for at_least in (0.9, 0.5, 0.1):
        assert latest_day(split, days, at_least) == latest_day(whole, days, at_least)


@pytest.mark.parametrize("average", [False, True])
def test_harvest_of_no_days_asks_for_the_start_day_itself(average: bool) -> None:
    lines = lines_of([34.0, 34.0], [0.5, 0.5])
    chance = chance_start_meets(lines, [38, 38], [0, 1], [0, 0], [8.0], average=average)
    assert chance[0] == pytest.approx(0.5)


# --- a missed target stays missed


def test_once_missed_mends_a_line_that_fans_out_backward() -> None:
    # A line that hardly rises, known well today: so far back its rate could be anything, and the
    # plain chance sinks again.
    lines = lines_of([36.0], [0.05], level_sd=1.0, rate_sd=0.12)
    days = np.arange(-45.0, 76.0)
    chance = chance_start_meets(lines, [38.5], [0], [1.0], days, average=False)
    assert chance[0] < 0.9 < chance[45]
    assert latest_day(chance, days, 0.9) == -46
    mended = latest_day(once_missed(chance, 45), days, 0.9)
    assert mended is not None
    assert 0 < mended < 10


@settings(deadline=None)
@given(CHANCES, st.data())
def test_once_missed_never_rises_and_keeps_today(chance: list[float], data: st.DataObject) -> None:
    now = data.draw(st.integers(0, len(chance) - 1))
    mended = once_missed(chance, now)
    assert mended.shape == (len(chance),)
    assert mended[now] == chance[now]
    assert (np.diff(mended) <= 0).all()
    assert (mended[:now] >= chance[:now]).all()
    assert (mended[now:] <= chance[now:]).all()


@settings(deadline=None)
@given(CHANCES, st.data())
def test_once_missed_leaves_a_falling_chance_alone(
    chance: list[float], data: st.DataObject
) -> None:
    falling = sorted(chance, reverse=True)
    now = data.draw(st.integers(0, len(chance) - 1))
    np.testing.assert_array_equal(once_missed(falling, now), falling)


# --- latest day


@pytest.mark.parametrize(
    ("chance", "expected"),
    [
        ([0.9, 0.8, 0.7], None),  # never drops so low
        ([0.9, 0.5, 0.5], None),  # 0.5 is still met
        ([0.9, 0.8, 0.4], 11),
        ([0.9, 0.4, 0.3], 10),
        ([0.4, 0.3, 0.2], 9),  # missed on the first day: the day before
        ([0.5, 0.4, 0.3], 10),
        ([0.9, 0.5 - 1e-12, 0.3], 11),  # met exactly, but for the last bits
        ([0.9, 0.5 - 1e-6, 0.3], 10),
        ([0.9, 0.4, 0.6], 10),  # the first drop counts
    ],
)
def test_latest_day_is_the_last_before_the_first_miss(
    chance: list[float], expected: int | None
) -> None:
    assert latest_day(chance, [10, 11, 12], 0.5) == expected


@settings(deadline=None)
@given(CHANCES)
def test_latest_day_comes_no_earlier_for_a_lower_demand(chance: list[float]) -> None:
    days = np.arange(100, 100 + len(chance))
    early, median, late = (
        latest_day(chance, days, at_least) or days[-1] + 1 for at_least in (0.9, 0.5, 0.1)
    )
    assert early <= median <= late
