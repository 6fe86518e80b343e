"""Many areas looked at together: what is told is the same, and one that breaks stops no other."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from factories import Service
from sqlalchemy import event
from sqlmodel import Session

from alerts.configfiles import shipped_config_dir
from alerts.domain.errors import ConfigurationError, CutcallError
from alerts.messages.templates import Templates
from alerts.services.outlooks import area_look, evaluate_areas
from alerts.services.outlooks.evaluate_areas import LostLease
from alerts.store import areas
from alerts.store.session import Sessions
from alerts.store.tables import Area, FarmOutlookRow, FieldOutlookRow

EMAIL = "ada@example.org"
AREAS = ("Heron Flats", "Otter Bend", "Ash Rise", "Stone Bench")


def enrol(service: Service, *areas: str, **said: str) -> None:
    """A farm of two fields in each area, one of them sampled, and due as soon as that is told."""
    service.enrol(
        *(
            {"area": area, "farm": f"Farm {area}", "field": field, **said}
            for area in areas
            for field in ("North", "South")
        )
    )
    service.results(*({"farm": f"Farm {area}", "rfv": 205 + k} for k, area in enumerate(areas)))


def all_due(service: Service) -> None:
    with service.sessions.write() as session:
        areas.mark_due(session, [area.id for area in service.rows(Area)], service.clock())


def kept(service: Service) -> list[dict[str, Any]]:
    """Every outlook, but for when it was made."""
    rows = service.rows(FieldOutlookRow) + service.rows(FarmOutlookRow)
    return [row.model_dump(exclude={"made_at"}) for row in rows]


def still_due(service: Service) -> set[str]:
    return {area.name for area in service.rows(Area) if area.due_at <= service.clock()}


def test_areas_together_are_told_what_each_is_told_alone(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    enrol(service, *AREAS)
    assert service.evaluate() == 4
    together, texts = kept(service), [m.text for m in service.messages()]
    assert len(texts) == 4
    monkeypatch.setattr(evaluate_areas, "AREAS_AT_ONCE", 1)
    all_due(service)
    assert service.evaluate() == 4
    assert kept(service) == together
    assert [m.text for m in service.messages()] == texts


def test_statements_do_not_grow_with_the_areas(service: Service) -> None:
    enrol(service, *AREAS[:1])
    service.evaluate()
    service.send()
    all_due(service)
    with counted(service.sessions) as one:
        assert service.evaluate() == 1
    enrol(service, *AREAS[1:])
    service.evaluate()
    service.send()
    all_due(service)
    with counted(service.sessions) as four:
        assert service.evaluate() == 4
    assert len(four) <= len(one), "\n".join(four)


@contextmanager
def counted(sessions: Sessions) -> Iterator[list[str]]:
    said: list[str] = []

    def heard(*told: Any) -> None:
        said.append(told[2])

    event.listen(sessions.engine, "before_cursor_execute", heard)
    yield said
    event.remove(sessions.engine, "before_cursor_execute", heard)


def test_area_that_cannot_be_looked_at_stops_no_other(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    enrol(service, *AREAS)
    look_ahead = area_look.look_ahead

    def broken(snapshot: Any, *told: Any) -> Any:
        if "Ash Rise" in [area.name for area in snapshot.areas]:
            raise CutcallError("this area is too much")
        return look_ahead(snapshot, *told)

    monkeypatch.setattr(area_look, "look_ahead", broken)
    with pytest.raises(CutcallError, match="too much"):
        service.evaluate()
    assert still_due(service) == {"Ash Rise"}
    assert len(service.messages()) == 3
    monkeypatch.undo()
    service.later(seconds=service.parts.evaluation_rules().lease.total_seconds() + 1)
    assert service.evaluate() == 1
    assert still_due(service) == set()


def test_words_that_cannot_be_made_stop_no_other_area(service: Service, tmp_path: Path) -> None:
    broken = tmp_path / "config" / "messages" / "es"
    broken.mkdir(parents=True)
    (broken / "coming.txt").write_text("{{ nobody_fills_this }}")
    enrol(service, *AREAS[:3])
    enrol(service, AREAS[3], language="es", phone="+12025550142")
    templates = Templates([tmp_path / "config", shipped_config_dir()])
    rules = replace(service.parts.evaluation_rules(), templates=templates)
    with pytest.raises(ConfigurationError, match=r"coming\.txt"):
        service.evaluate(rules)
    assert still_due(service) == {AREAS[3]}
    assert len(service.messages()) == 3


def test_news_of_one_area_between_look_and_decision_is_heeded(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    enrol(service, *AREAS)
    draw_all = evaluate_areas.draw_all

    def meanwhile(*told: Any) -> Any:
        monkeypatch.undo()
        service.later(seconds=1)
        service.results({"farm": "Farm Ash Rise", "field": "South", "rfv": 190})
        return draw_all(*told)

    monkeypatch.setattr(evaluate_areas, "draw_all", meanwhile)
    service.evaluate()
    known = {row.field_id: row.results for row in service.rows(FieldOutlookRow)}
    assert list(known.values()) == [1, 0, 1, 0, 1, 1, 1, 0]
    assert len(service.messages()) == 4


def test_area_whose_lease_was_taken_keeps_nothing_of_the_look_and_the_others_all(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    enrol(service, *AREAS)
    see = area_look.see

    def slow(session: Session, some: Any, *told: Any) -> Any:
        found = see(session, some, *told)
        with service.sessions.write() as other:
            area = other.get_one(Area, 2)
            area.lease_owner, area.lease_until = "another", service.clock() + timedelta(hours=1)
        return found

    monkeypatch.setattr(area_look, "see", slow)
    with pytest.raises(LostLease):
        service.evaluate()
    assert {row.farm_id for row in service.rows(FarmOutlookRow)} == {1, 3, 4}
    assert len(service.messages()) == 3


def test_areas_of_two_zones_are_each_on_their_own_day(service: Service) -> None:
    """At 05:30 UTC Monday has begun in Chicago, and it is still Sunday in Honolulu."""
    service.enrol({"area": "Heron Flats"})
    service.enrol({"area": "Hala Slope", "farm": "Far Side", "time_zone": "Pacific/Honolulu"})
    service.results({"rfv": 205}, {"farm": "Far Side", "rfv": 205})
    service.clock.now = datetime(2027, 5, 10, 5, 30, tzinfo=UTC)
    all_due(service)
    service.evaluate()
    first = {row.farm_id: row.detail["days"]["first"] for row in service.rows(FieldOutlookRow)}
    assert first == {1: "2027-05-10", 2: "2027-05-09"}


def test_charts_of_one_area_keep_no_other_from_being_told(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Areas without charts are written down before the first chart is drawn."""
    enrol(service, *AREAS[:2])
    enrol(service, AREAS[2], farmer="Bo", phone="", email=EMAIL, alert_by="email")
    told: list[int] = []
    draw_all = evaluate_areas.draw_all

    def watched(charts: Any, rules: Any) -> Any:
        if charts:
            told.append(len(service.messages()))
        return draw_all(charts, rules)

    monkeypatch.setattr(evaluate_areas, "draw_all", watched)
    service.evaluate()
    assert told == [2]
    assert len(service.messages()) == 3


def test_lease_lasts_while_charts_are_drawn(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An area waits for the charts of those before it no longer than its lease goes on."""
    enrol(service, *AREAS, farmer="Bo", phone="", email=EMAIL, alert_by="email")
    rules, drawn = service.parts.evaluation_rules(), 0
    draw_all = evaluate_areas.draw_all

    def slowly(charts: Any, told: Any) -> Any:
        nonlocal drawn
        drawn += len(charts)
        service.later(seconds=0.6 * rules.lease.total_seconds())
        if drawn < len(AREAS):  # another evaluator comes by
            others = evaluate_areas._claim(service.sessions, rules, "other", service.clock())
            assert [area.name for area in others] == []
        return draw_all(charts, told)

    monkeypatch.setattr(evaluate_areas, "draw_all", slowly)
    assert service.evaluate() == len(AREAS)
    assert drawn == len(service.messages()) == len(AREAS)
