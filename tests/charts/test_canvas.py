from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.charts import canvas


@given(st.lists(st.floats(0, 1), max_size=12), st.floats(0.01, 0.2))
def test_labels_end_up_apart_and_in_order(wanted: list[float], gap: float) -> None:
    placed = canvas.apart(wanted, gap)
    assert len(placed) == len(wanted)
    order = sorted(range(len(wanted)), key=lambda i: (wanted[i], placed[i]))
    steps = [placed[b] - placed[a] for a, b in pairwise(order)]
    assert all(step >= gap - 1e-9 for step in steps)


def test_labels_that_are_apart_stay_where_they_are() -> None:
    assert canvas.apart([0.9, 0.1, 0.5], 0.1) == [0.9, 0.1, 0.5]


@pytest.mark.parametrize("span", [1, 9, 15, 29, 60, 200])
def test_axis_names_few_days_and_the_last_one(span: int) -> None:
    first = date(2027, 5, 1)
    ticks = canvas.day_ticks(first, first + timedelta(days=span))
    assert ticks[-1] == first + timedelta(days=span)
    assert 2 <= len(ticks) <= 5


def test_span_is_never_narrower_than_asked() -> None:
    assert canvas.span_of([100.0], 30.0) == (85.0, 115.0)
    assert canvas.span_of([100.0, 150.0], 30.0) == (100.0, 150.0)
