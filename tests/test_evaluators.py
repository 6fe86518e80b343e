"""Other processes that look at areas beside this one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from threading import Event

import pytest
from factories import Service

from alerts import evaluators
from alerts.bootstrap import Parts
from alerts.store.tables import Area, FarmOutlookRow

AREAS = 12


@pytest.fixture
def parts(service: Service, monkeypatch: pytest.MonkeyPatch) -> Iterator[Parts]:
    """A service with a dozen areas due, which it finds worth another process."""
    rows = [{"area": f"Reach {k}", "farm": f"Farm {k}"} for k in range(AREAS)]
    service.enrol(*rows)
    service.results(*({"farm": row["farm"], "rfv": 205 + k} for k, row in enumerate(rows)))
    monkeypatch.setattr(evaluators, "WORTH_A_PROCESS", AREAS)
    settings = service.parts.settings.model_copy(update={"evaluators": 2})
    yield replace(service.parts, settings=settings)


def looked_at(service: Service) -> int:
    """Areas that are due no more."""
    areas = service.rows(Area)
    assert len(service.rows(FarmOutlookRow)) == len(service.messages())
    return sum(area.due_at > service.clock() and not area.lease_owner for area in areas)


def test_another_process_looks_at_what_is_due(
    service: Service, parts: Parts, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(evaluators, "evaluate_due", lambda *told: 0)  # this one does nothing
    assert evaluators.evaluate_together(parts) == 0
    assert looked_at(service) == len(service.messages()) == AREAS


def test_together_every_area_is_looked_at_once(service: Service, parts: Parts) -> None:
    assert 0 < evaluators.evaluate_together(parts) <= AREAS
    assert looked_at(service) == len(service.messages()) == AREAS


@pytest.mark.parametrize(("number", "due"), [(1, AREAS), (2, AREAS - 1)])
def test_no_process_is_started_where_it_does_not_pay(
    service: Service, parts: Parts, monkeypatch: pytest.MonkeyPatch, number: int, due: int
) -> None:
    monkeypatch.setattr(evaluators, "get_context", None)  # to ask for one would fail
    monkeypatch.setattr(evaluators, "WORTH_A_PROCESS", AREAS if due == AREAS else AREAS + 1)
    settings = parts.settings.model_copy(update={"evaluators": number})
    assert evaluators.evaluate_together(replace(parts, settings=settings)) == AREAS


def test_wish_to_stop_reaches_the_other_process(
    service: Service, parts: Parts, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It ends after the areas it holds, and holds none then."""
    told = replace(parts, stopping=Event())

    def stop(*_: object) -> int:
        told.stopping.set()
        return 0

    monkeypatch.setattr(evaluators, "evaluate_due", stop)
    evaluators.evaluate_together(told)
    assert not any(area.lease_owner for area in service.rows(Area))


def test_process_that_fails_is_told_in_the_log(
    parts: Parts, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Its areas are looked at by this one, or due again."""
    wrong = parts.settings.model_copy(update={"config_dir": "/nowhere/at/all"})
    assert evaluators.evaluate_together(replace(parts, settings=wrong)) == AREAS
    assert "ended with 1" in caplog.text
