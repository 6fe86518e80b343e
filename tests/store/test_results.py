from __future__ import annotations

from datetime import time

import pytest
from factories import MONDAY, NOON, Home
from sqlalchemy.exc import IntegrityError

from alerts.store import documents, fields, results
from alerts.store.session import Sessions
from alerts.store.tables import LabResult


def build(document_id: int, identity: str, **values: object) -> LabResult:
    said = {
        "row": 2,
        "farm_label": "Plum Bottom",
        "field_label": "North",
        "lab": "Kestrel",
        "lab_number": "KE-1",
        "method": "nir",
        "sampled_on": MONDAY,
        "readings": {"rfv": 200.0},
        "rfv": 200.0,
        "received_at": NOON,
        **values,
    }
    return LabResult(document_id=document_id, identity=identity, **said)


@pytest.fixture
def document_id(sessions: Sessions, home: Home) -> int:
    with sessions.write() as session:
        return documents.keep_document(
            session, name="a.csv", source="test", lab="", content=b"a", now=NOON
        ).id


def test_versions_of_a_result_come_oldest_first(sessions: Sessions, document_id: int) -> None:
    with sessions.write() as session:
        first, second = (build(document_id, "one", rfv=value) for value in (200.0, 210.0))
        results.add_result(session, first)
        results.add_result(session, second, replaces=first)
        results.add_result(session, build(document_id, "two"))
    with sessions.read() as session:
        found = results.versions(session, ["one", "two", "three"])
    assert [(row.version, row.rfv) for row in found["one"]] == [(1, 200.0), (2, 210.0)]
    assert found["one"][0].replaced_by == found["one"][1].id
    assert found["one"][1].replaced_by is None
    assert len(found["two"]) == 1
    assert "three" not in found


def test_versions_of_more_identities_than_one_statement_takes(
    sessions: Sessions, document_id: int
) -> None:
    names = [f"identity {n}" for n in range(fields.CHUNK + 5)]
    with sessions.write() as session:
        for name in names:
            results.add_result(session, build(document_id, name))
    with sessions.read() as session:
        assert set(results.versions(session, names)) == set(names)


def test_two_first_versions_of_one_identity_are_refused(
    sessions: Sessions, document_id: int
) -> None:
    with pytest.raises(IntegrityError), sessions.write() as session:
        results.add_result(session, build(document_id, "one"))
        results.add_result(session, build(document_id, "one"))


def test_unmatched_results_come_by_the_names_they_were_given(
    sessions: Sessions, home: Home, document_id: int
) -> None:
    with sessions.write() as session:
        results.add_result(session, build(document_id, "1", field_label="Nrth"))
        results.add_result(session, build(document_id, "2", field_label="Nrth", row=3))
        results.add_result(session, build(document_id, "3", field_label="Creek"))
        results.add_result(session, build(document_id, "4", field_id=home.field_id))
    with sessions.read() as session:
        found = results.unmatched(session)
    assert [(group.field_label, len(group.results)) for group in found] == [
        ("Nrth", 2),
        ("Creek", 1),
    ]
    assert found[0].results[0][1] == "a.csv"


def test_replaced_result_waits_for_no_field(sessions: Sessions, document_id: int) -> None:
    with sessions.write() as session:
        first = build(document_id, "one", rfv=200.0)
        results.add_result(session, first)
        results.add_result(session, build(document_id, "one", rfv=210.0), replaces=first)
    with sessions.read() as session:
        [group] = results.unmatched(session)
    assert [row.rfv for row, _ in group.results] == [210.0]


@pytest.mark.parametrize(
    ("stored", "asked", "known"),
    [
        ([], ["a"], set()),
        (["b"], [], set()),
        (["a", "c"], ["a", "b"], {"a"}),
        (["a", "b", "c", "d", "e"], ["a", "e", "f"], {"a", "e"}),  # more between than are asked for
        (["lab:x|10", "lab:x|9", "Z", "é", "z"], ["lab:x|9", "z", "y"], {"lab:x|9", "z"}),
    ],
)
def test_identities_known_already_are_found(
    sessions: Sessions, document_id: int, stored: list[str], asked: list[str], known: set[str]
) -> None:
    with sessions.write() as session:
        for identity in stored:
            results.add_result(session, build(document_id, identity))
    with sessions.read() as session:
        assert results.known_among(session, asked) == known


def test_identity_of_a_result_taken_back_is_known(sessions: Sessions, document_id: int) -> None:
    with sessions.write() as session:
        results.add_result(session, build(document_id, "a", withdrawn_at=NOON))
    with sessions.read() as session:
        assert results.known_among(session, ["a"]) == {"a"}


def test_results_stored_together_are_those_stored_singly(
    sessions: Sessions, home: Home, document_id: int
) -> None:
    values = {
        "field_id": home.field_id,
        "cutting": 2,
        "sampled_at": time(7, 10),
        "late_in_day": True,
        "spots": 3,
        "remark": "cool night, 4 °C",
        "rfq": 190.5,
        "ndf": 38.2,
        "computed_rfv": 201.25,
        "computed_rfq": None,
    }
    singly = build(document_id, "one", **values)
    said = singly.model_dump()
    with sessions.write() as session:
        results.add_result(session, singly)
        twice = {name: [value] * 2 for name, value in said.items() if name != "id"}
        results.add_new(session, {**twice, "identity": ["two", "three"]})
    with sessions.read() as session:
        one, two, three = results.of_document(session, document_id)
    apart = {"id", "identity"}
    assert (two.identity, three.identity) == ("two", "three")
    assert one.id is not None and one.id < (two.id or 0) < (three.id or 0)
    assert one.model_dump(exclude=apart) == two.model_dump(exclude=apart)
    assert two.model_dump(exclude=apart) == three.model_dump(exclude=apart)


def test_no_results_stored_together_change_nothing(sessions: Sessions, document_id: int) -> None:
    with sessions.write() as session:
        results.add_new(session, {"identity": [], "row": [], "readings": []})
        assert results.of_document(session, document_id) == []
