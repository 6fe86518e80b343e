"""The short version of every fuzzer: few examples, the same in every run.

The long one, with fresh seeds: `python -m tests.fuzz --minutes 5`.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from fuzz.catalog import FUZZERS
from fuzz.running import Fuzzer, TooSlow, bounded, plain, run_long, run_short
from hypothesis import strategies as st

PARSERS_AND_PAGES = [name for name in FUZZERS if name != "api"]  # test_api_description.py


@pytest.mark.parametrize("name", PARSERS_AND_PAGES)
def test_only_declared_errors_and_nothing_lost(name: str, tmp_path: Path) -> None:
    run_short(FUZZERS[name], tmp_path)


# ------------------------------------------------------- the fuzzers' own machinery


def _fuzzer(at_most: int) -> Fuzzer:
    def check(value: int) -> None:
        assert value <= at_most

    return plain("numbers", st.integers(0, 1000), check)


def test_long_run_shows_the_smallest_example_that_fails(tmp_path: Path) -> None:
    figures = run_long(_fuzzer(17), 5, tmp_path)
    [failure] = figures.failures
    assert "Example: 18" in failure
    assert figures.examples > 1


def test_long_run_lasts_as_long_as_it_was_told_where_nothing_fails(tmp_path: Path) -> None:
    figures = run_long(_fuzzer(1000), 0.3, tmp_path)
    assert figures.failures == ()
    assert figures.examples > 5
    assert 0.3 <= figures.seconds < 10


def test_short_run_raises_what_fails(tmp_path: Path) -> None:
    with pytest.raises(AssertionError):
        run_short(_fuzzer(17), tmp_path)


def test_what_does_not_end_is_stopped() -> None:
    with pytest.raises(TooSlow), bounded(0.05):
        while True:
            pass
