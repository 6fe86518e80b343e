"""A short run of every benchmark: each checks its own result, and its ratios hold loosely.

The full run: `python -m tests.benchmarks`.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from benchmarks.catalog import BENCHMARKS
from benchmarks.rows import Row, Size, as_json, as_table, at_least, at_most


@pytest.mark.parametrize("name", BENCHMARKS)
def test_short_run_holds_loosely(name: str) -> None:
    benchmark = BENCHMARKS[name]
    rows = list(benchmark.run(Size.SHORT))
    assert rows
    for row in rows:
        assert row.holds_loosely(benchmark.slack), row


def test_bounds_hold_or_fail_by_the_ratio() -> None:
    fast = Row("n", "c", ours=50, yardstick=100, unit="rows/s", bound=at_least(0.35))
    slow = Row("n", "c", ours=3, yardstick=1, unit="s", bound=at_most(2.5), peak_mib=120)
    assert fast.holds
    assert not slow.holds
    assert at_most(2.5).holds(3, slack=2)
    assert not at_least(0.35).holds(0.1, slack=2)


def test_what_was_never_reached_must_not_get_worse() -> None:
    row = Row("n", "c", ours=20, yardstick=1, unit="s", bound=at_most(2.5), reached=12)
    assert not row.holds
    assert row.holds_loosely(2)
    assert not replace(row, ours=25).holds_loosely(2)
    assert not replace(row, reached=None).holds_loosely(2)


def test_rows_are_printed_as_a_list_of_plain_objects() -> None:
    row = Row("n", "c", ours=50, yardstick=100, unit="rows/s", bound=at_least(0.35))
    [plain] = json.loads(as_json([row]))
    assert plain == {
        "name": "n", "case": "c", "ours": 50, "yardstick": 100, "unit": "rows/s",
        "ratio": 0.5, "target": ">= 0.35", "holds": True, "peak_mib": None,
    }  # fmt: skip
    assert as_table([row]).row_count == 1
    assert math.isnan(row.peak_mib)
