"""The order of fields against brute force."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from alerts.agronomy.harvest import due_order
from alerts.agronomy.scale import Floats


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
