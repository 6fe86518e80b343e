from __future__ import annotations

import pytest
from advisers import JO, KIT, field_id, settle_in, visitor_of
from factories import MONDAY, Service, day

from alerts.domain.errors import CutcallError
from alerts.services.access.links import Role, Visitor
from alerts.services.access.scope import NotYours
from alerts.services.samplers import returned_results, withdrawals
from alerts.services.samplers.sample_entry import enter_clip
from alerts.store.tables import Area


@pytest.fixture
def spring(service: Service) -> Service:
    return settle_in(service)


@pytest.fixture
def jo(spring: Service) -> Visitor:
    return visitor_of(spring, Role.SAMPLER, JO)


def enter(service: Service, who: Visitor, **cells: str) -> int:
    """Type a result of North in; returns its id."""
    entry = enter_clip(
        service.sessions, who, field_id(service, "North"),
        {"sampled_on": MONDAY.isoformat(), "method": "nir", **cells},
        service.parts.intake_rules(), service.clock(),
    )  # fmt: skip
    assert entry.report is not None and entry.report.rejected == []
    return max(row.id or 0 for row in service.stored_results())


def act(service: Service, who: Visitor, result_id: int, *, undo: bool = False) -> None:
    service.later(minutes=1)
    with service.sessions.write() as session:
        (withdrawals.put_back if undo else withdrawals.take_back)(
            session, who, result_id, service.clock()
        )


def counted(service: Service) -> list[float | None]:
    """RFV of every result that counts."""
    return sorted(row.rfv or 0 for row in service.stored_results() if row.replaced_by is None)


def test_result_taken_back_no_longer_counts_anywhere_and_stays(
    spring: Service, jo: Visitor
) -> None:
    spring.evaluate()
    before, results = counted(spring), spring.line("North").results
    result_id = enter(spring, jo, rfv="131")
    spring.evaluate()
    assert spring.line("North").results == results + 1
    act(spring, jo, result_id)
    assert spring.clock() in {area.due_at for area in spring.rows(Area)}
    spring.evaluate()
    assert counted(spring) == before
    assert spring.line("North").results == results
    with spring.sessions.read() as session:
        shown = returned_results.returned_results(session, jo, spring.parts.season_first_day())
    [mine] = [one for one in shown if one.id == result_id]
    assert (mine.is_own, mine.is_withdrawn, mine.flags[0]) == (
        True, True, "taken back: does not count",
    )  # fmt: skip
    assert [one.is_own for one in shown if one.id != result_id] == [False] * (len(shown) - 1)


def test_result_is_put_back(spring: Service, jo: Visitor) -> None:
    result_id = enter(spring, jo, rfv="131")
    before = counted(spring)
    act(spring, jo, result_id)
    act(spring, jo, result_id)  # pressed twice
    act(spring, jo, result_id, undo=True)
    assert counted(spring) == before
    assert spring.clock() in {area.due_at for area in spring.rows(Area)}


def test_what_a_result_corrected_counts_again(spring: Service, jo: Visitor) -> None:
    number = {"lab": "kestrel", "lab_number": "K-77"}
    enter(spring, jo, rfv="201", **number)
    wrong = enter(spring, jo, rfv="102", **number)
    assert 201 not in counted(spring)
    act(spring, jo, wrong)
    assert 201 in counted(spring) and 102 not in counted(spring)
    act(spring, jo, wrong, undo=True)
    assert 102 in counted(spring) and 201 not in counted(spring)


def test_result_of_somebody_else_is_not_theirs_to_take_back(spring: Service, jo: Visitor) -> None:
    before = counted(spring)
    own = enter(spring, jo, rfv="131")
    laboratory = min(row.id or 0 for row in spring.stored_results())
    for who, result_id in (
        (jo, laboratory),
        (jo, 999),
        (visitor_of(spring, Role.SAMPLER, KIT), own),
    ):
        with pytest.raises(NotYours, match="no such result of yours"):
            act(spring, who, result_id)
    assert counted(spring) == sorted([*before, 131])


def test_result_that_was_corrected_since_is_not_taken_back(spring: Service, jo: Visitor) -> None:
    number = {"lab": "kestrel", "lab_number": "K-77"}
    first = enter(spring, jo, rfv="201", **number)
    enter(spring, jo, rfv="202", **number)
    with pytest.raises(CutcallError, match="a newer version of this result counts already"):
        act(spring, jo, first)


def test_same_again_after_it_was_taken_back_says_so(spring: Service, jo: Visitor) -> None:
    cells = {"rfv": "131", "lab": "kestrel", "lab_number": "K-9", "sampled_on": str(day(0))}
    act(spring, jo, enter(spring, jo, **cells))
    entry = enter_clip(
        spring.sessions, jo, field_id(spring, "North"), {"method": "nir", **cells},
        spring.parts.intake_rules(), spring.clock(),
    )  # fmt: skip
    assert entry.report is not None
    assert entry.report.repeated == 1
    assert any("was taken back and does not count" in note.text for note in entry.report.notes)


def test_correction_of_what_was_taken_back_counts(spring: Service, jo: Visitor) -> None:
    number = {"lab": "kestrel", "lab_number": "K-9"}
    act(spring, jo, enter(spring, jo, rfv="131", **number))
    enter(spring, jo, rfv="199", **number)
    assert 199 in counted(spring) and 131 not in counted(spring)
