"""The API keeps to its own OpenAPI document, with every kind of token and none (short version).

The long one, with fresh seeds: `python -m tests.fuzz api --minutes 5`.
"""

from __future__ import annotations

from pathlib import Path

from fuzz.api import CONFORMANCE, checks
from fuzz.catalog import FUZZERS
from fuzz.running import run_short


def test_answers_are_as_described(tmp_path: Path) -> None:
    run_short(FUZZERS["api"], tmp_path)


def test_checks_are_those_that_were_chosen() -> None:
    assert len(checks()) == len(CONFORMANCE)
