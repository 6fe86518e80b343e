"""A short run of kills on each engine; `python -m tests.faults kill` is the long one."""

from __future__ import annotations

from pathlib import Path

import pytest
from crew import empty_database
from kill_run import Plan, run


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
def test_killed_processes_lose_nothing_and_repeat_nothing(engine: str, tmp_path: Path) -> None:
    plan = Plan(kills=6, messages=60, engine=engine, seed=1, senders=2, evaluators=1, tickers=1)
    with empty_database(engine, tmp_path) as url:
        found = run(plan, url, tmp_path)
    assert found.kills.total() == plan.kills
    assert found.texts == found.farms == plan.messages
    assert (found.lost, found.twice, found.disagreeing) == ((), (), ())
