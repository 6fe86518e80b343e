from __future__ import annotations

import pytest
from factories import Service, day

from alerts.domain.errors import UnknownField
from alerts.services.results.match_results import name_field
from alerts.store.results import unmatched
from alerts.store.tables import Area, DocumentNote, FarmField

LEGUME = {
    "cp_pct_dm": 20,
    "adf_pct_dm": 30,
    "ndf_pct_dm": 40,
    "ndfd48_pct_ndf": 45,
    "ee_pct_dm": 3,
    "ash_pct_dm": 10,
}
GRASS = {
    "cp_pct_dm": 16,
    "adf_pct_dm": 30,
    "ndf_pct_dm": 50,
    "ndfd48_pct_ndf": 68,
    "ee_pct_dm": 3.5,
    "ash_pct_dm": 9,
}


def name(
    service: Service,
    label: str,
    field: str,
    farm: str = "Plum Bottom",
    farm_label: str | None = "",
) -> int:
    return name_field(
        service.sessions,
        label=label,
        farm_label=farm_label,
        farm=farm,
        field=field,
        guidelines=service.parts.guidelines,
        now=service.clock(),
    )


def waiting(service: Service) -> int:
    with service.sessions.read() as session:
        return sum(len(group.results) for group in unmatched(session))


@pytest.fixture
def enrolled(service: Service) -> Service:
    service.enrol({"field": "North"}, {"field": "Creek", "grass_pct": 80})
    service.evaluate()
    service.later(minutes=1)
    return service


def test_waiting_results_flow_on_when_their_name_is_explained(enrolled: Service) -> None:
    enrolled.results({"rfv": 205, "field": "N 40"}, {"rfv": 199, "field": "N 40"}, {"rfv": 190})
    enrolled.evaluate()
    enrolled.later(minutes=1)
    assert name(enrolled, "N 40", "North") == 2
    assert waiting(enrolled) == 0
    assert {area.due_at for area in enrolled.rows(Area)} == {enrolled.clock()}
    enrolled.evaluate()
    assert enrolled.line("North").results == 3


def test_later_results_of_a_name_explained_need_no_second_explanation(enrolled: Service) -> None:
    name(enrolled, "N 40", "North")
    assert enrolled.results({"rfv": 205, "field": "n-40"}).accepted == 1


def test_name_with_the_laboratorys_name_of_the_farm_is_explained(enrolled: Service) -> None:
    enrolled.results({"rfv": 205, "farm": "Lindqvist Bros", "field": "N 40"})
    assert name(enrolled, "N 40", "North", farm_label="Lindqvist Bros.") == 1
    assert enrolled.results({"rfv": 190, "farm": "LINDQVIST BROS", "field": "N 40"}).accepted == 1


def test_name_of_another_farm_keeps_waiting(enrolled: Service) -> None:
    enrolled.results({"rfv": 205, "farm": "Stone Row", "field": "N 40"})
    assert name(enrolled, "N 40", "North") == 0
    assert waiting(enrolled) == 1


def test_farm_beside_the_label_is_found_where_only_one_waits(enrolled: Service) -> None:
    enrolled.results({"rfv": 205, "farm": "Lindqvist", "field": "N 40"})
    assert name(enrolled, "N 40", "North", farm_label=None) == 1
    assert enrolled.results({"rfv": 190, "farm": "Lindqvist", "field": "N 40"}).accepted == 1


def test_label_that_waits_under_two_farms_asks_which_and_changes_nothing(
    enrolled: Service,
) -> None:
    enrolled.results(
        {"rfv": 205, "farm": "Lindqvist Bros", "field": "N 40"},
        {"rfv": 199, "farm": "Stone Row", "field": "n-40"},
    )
    with pytest.raises(UnknownField, match="--farm-label 'Lindqvist Bros', --farm-label 'Stone"):
        name(enrolled, "N 40", "North", farm_label=None)
    assert waiting(enrolled) == 2
    assert name(enrolled, "N 40", "North", farm_label="Lindqvist Bros") == 1
    assert name(enrolled, "N 40", "North", farm_label=None) == 1


def test_ambiguous_result_flows_on_to_the_field_somebody_says(enrolled: Service) -> None:
    """Two farms have a North. Saying which is meant settles what waits; the name itself stays
    ambiguous, so the next one is asked about again."""
    enrolled.enrol({"farm": "Stone Row", "field": "North"})
    enrolled.results({"rfv": 205, "farm": "", "field": "North"})
    assert waiting(enrolled) == 1
    assert name(enrolled, "North", "North", farm="Stone Row") == 1
    enrolled.evaluate()
    results = {(line.farm, line.field): line.results for line in enrolled.lines()}
    assert results[("Stone Row", "North")] == 1
    assert results[("Plum Bottom", "North")] == 0
    assert enrolled.results({"rfv": 199, "farm": "", "field": "North"}).unmatched == 1


def test_two_spellings_of_one_name_flow_on_together(enrolled: Service) -> None:
    enrolled.results({"rfv": 205, "field": "N 40"}, {"rfv": 199, "field": "n-40"})
    assert name(enrolled, "N 40", "North") == 2


def test_result_of_a_closed_field_keeps_waiting(enrolled: Service) -> None:
    enrolled.results({"rfv": 205, "field": "N 40"})
    [north] = [field for field in enrolled.rows(FarmField) if field.name == "North"]
    with enrolled.sessions.write() as session:
        session.get_one(FarmField, north.id).closed_on = day(0)
    assert name(enrolled, "N 40", "North") == 0
    assert waiting(enrolled) == 1


def test_name_for_a_field_nobody_enrolled_is_refused(enrolled: Service) -> None:
    with pytest.raises(UnknownField, match="no field 'South' on a farm 'Plum Bottom'"):
        name(enrolled, "N 40", "South")


def test_name_for_a_field_of_two_farms_asks_which(enrolled: Service) -> None:
    enrolled.enrol({"farm": "Stone Row", "field": "North"})
    with pytest.raises(UnknownField, match="a field of Plum Bottom, Stone Row; say which farm"):
        name(enrolled, "N 40", "North", farm="")


@pytest.mark.parametrize(
    ("field", "readings", "rfq"),
    [("North", LEGUME, 151.0), ("Creek", GRASS, 162.95)],
)
def test_rfq_is_computed_on_matching_by_the_grass_of_the_field(
    enrolled: Service, field: str, readings: dict[str, float], rfq: float
) -> None:
    """Cases L1 and G2 of tests/data/quality/rfq_check_values_computed.csv, which prove the code
    against the published equations (our arithmetic, nobody printed the cases). Which equation
    holds is not known before the field is."""
    enrolled.results({"field": "N 40", **readings})
    [row] = enrolled.stored_results()
    assert (row.field_id, row.rfq) == (None, None)
    name(enrolled, "N 40", field)
    [row] = enrolled.stored_results()
    assert row.rfq == row.computed_rfq == pytest.approx(rfq, abs=0.01)


def test_printed_rfq_stays_on_matching_and_its_difference_is_noted(enrolled: Service) -> None:
    enrolled.results({"field": "N 40", **LEGUME, "rfq": 160})
    assert enrolled.rows(DocumentNote) == []
    name(enrolled, "N 40", "North")
    [row] = enrolled.stored_results()
    assert row.rfq == 160.0
    [note] = enrolled.rows(DocumentNote)
    assert (note.row, note.column) == (2, "RFQ")
    assert "160" in note.text
    assert "151" in note.text


def test_stem_reading_flows_on_with_its_spots(enrolled: Service) -> None:
    """28 in at the bud stage reads RFV 164 (Weld, 2021, Calculating alfalfa stand quality)."""
    rows = ["farm,field,sampled_on,spot,height_in,stage"]
    rows += [f"Plum Bottom,N 40,2027-05-10,{spot},28,bud" for spot in range(1, 6)]
    enrolled.take("\n".join(rows))
    name(enrolled, "N 40", "North")
    [row] = enrolled.stored_results()
    assert row.rfv == pytest.approx(164, abs=0.5)
    assert row.spots == 5
    enrolled.evaluate()
    assert enrolled.line("North").results == 1
