"""What a result says of the crop in each index.

The equations are checked in tests/agronomy; here the question is which one speaks, and whether a
printed value and ours are both kept. Cases stand in tests/data/quality.
"""

from __future__ import annotations

import csv
from datetime import date, time
from pathlib import Path
from typing import Any

import pytest

from alerts.domain.evidence import IndexValues, index_values, is_late_in_day
from alerts.domain.guidelines import GuidelineSet
from alerts.domain.records import Method, Readings, Result, StemSpot, StemStage

DATA = Path(__file__).parents[1] / "data" / "quality"

with (DATA / "rfq_check_values_computed.csv").open(newline="", encoding="utf-8") as file:
    RFQ_CASES = {row["case"].split()[0]: row for row in csv.DictReader(file)}

FIBER: dict[str, Any] = {"adf_pct_dm": 30.0, "ndf_pct_dm": 40.0}
# Stallings, C.C., 2004, Relative feed value is an indicator of hay quality; our arithmetic:
# (88.9 - 0.779 x 30) x (120 / 40) / 1.29
RFV_OF_FIBER = 152.395


def result(
    *spots: StemSpot, row: int = 2, method: Method = Method.WET_CHEMISTRY, **readings: float | None
) -> Result:
    return Result(
        row=row,
        field_label="Creek",
        farm_label="",
        sampled_on=date(2031, 5, 12),
        sampled_at=None,
        method=Method.STEM if spots else method,
        lab="Kestrel",
        lab_number="1",
        cutting=1,
        readings=Readings(**readings),
        spots=spots,
    )


def values_of(
    result: Result, guidelines: GuidelineSet, grass_pct: float | None = 0.0
) -> IndexValues:
    (values,) = index_values([result], [grass_pct], guidelines)
    return values


def rfq_readings(case: str) -> dict[str, Any]:
    names = ("cp_pct_dm", "adf_pct_dm", "ndf_pct_dm", "ndfd48_pct_ndf", "ee_pct_dm", "ash_pct_dm")
    return {name: float(RFQ_CASES[case][name]) for name in names}


# --- RFV


def test_rfv_is_computed_where_none_is_printed(guidelines: GuidelineSet) -> None:
    values = values_of(result(**FIBER), guidelines)
    assert values.rfv == values.computed_rfv == pytest.approx(RFV_OF_FIBER, abs=5e-4)
    assert (values.ndf, values.rfq, values.notes) == (40.0, None, ())


def test_printed_rfv_is_used_and_ours_kept_beside_it(guidelines: GuidelineSet) -> None:
    values = values_of(result(**FIBER, rfv=154.0), guidelines)
    assert values.rfv == 154.0
    assert values.computed_rfv == pytest.approx(RFV_OF_FIBER, abs=5e-4)
    assert values.notes == ()


def test_printed_rfv_without_fiber_stands_alone(guidelines: GuidelineSet) -> None:
    values = values_of(result(rfv=154.0), guidelines)
    assert (values.rfv, values.computed_rfv, values.ndf, values.notes) == (154.0, None, None, ())


@pytest.mark.parametrize("missing", ["adf_pct_dm", "ndf_pct_dm"])
def test_rfv_needs_both_fibers(guidelines: GuidelineSet, missing: str) -> None:
    values = values_of(result(**(FIBER | {missing: None})), guidelines)
    assert values.rfv is None


@pytest.mark.parametrize(
    ("printed", "flagged"),
    [(155.39, False), (155.40, True), (149.40, False), (149.39, True)],  # 152.395 +/- 3
)
def test_difference_of_more_than_three_points_is_flagged(
    guidelines: GuidelineSet, printed: float, flagged: bool
) -> None:
    values = values_of(result(**FIBER, rfv=printed), guidelines)
    assert bool(values.notes) is flagged


def test_note_names_both_values_and_what_to_do(guidelines: GuidelineSet) -> None:
    (note,) = values_of(result(**FIBER, rfv=170.0, row=7), guidelines).notes
    assert (note.row, note.column) == (7, "RFV")
    assert "170" in note.text
    assert "152" in note.text
    assert "ask the laboratory" in note.text


# --- RFQ


@pytest.mark.parametrize("case", ["L1", "L2", "L3", "L4", "M1"])
def test_rfq_of_legumes_and_mixtures_comes_from_the_legume_equation(
    guidelines: GuidelineSet, case: str
) -> None:
    values = values_of(result(**rfq_readings(case)), guidelines, grass_pct=50.0)
    assert values.rfq == values.computed_rfq
    assert values.rfq == pytest.approx(float(RFQ_CASES[case]["rfq"]), abs=1e-4)


@pytest.mark.parametrize("case", ["G1", "G2", "G3"])
def test_rfq_of_a_stand_that_is_mainly_grass_comes_from_the_grass_equation(
    guidelines: GuidelineSet, case: str
) -> None:
    cut_off = guidelines.value("equations.grass_from_pct")
    for grass_pct in (cut_off + 0.1, 100.0):
        values = values_of(result(**rfq_readings(case)), guidelines, grass_pct)
        assert values.rfq == pytest.approx(float(RFQ_CASES[case]["rfq"]), abs=1e-4)


def test_share_of_grass_at_the_cut_off_is_still_a_mixture(guidelines: GuidelineSet) -> None:
    readings = rfq_readings("L1")
    cut_off = guidelines.value("equations.grass_from_pct")
    at, above, pure = (
        values_of(result(**readings), guidelines, share).rfq
        for share in (cut_off, cut_off + 0.1, 0.0)
    )
    assert at == pure
    assert above != at


def test_rfq_is_unknown_while_the_field_is(guidelines: GuidelineSet) -> None:
    # without the field nobody knows the share of grass, so nobody knows the equation
    values = values_of(result(**rfq_readings("L1")), guidelines, grass_pct=None)
    assert (values.rfq, values.computed_rfq) == (None, None)
    assert values.rfv is not None


@pytest.mark.parametrize(
    "missing", ["ndfd48_pct_ndf", "cp_pct_dm", "ndf_pct_dm", "ee_pct_dm", "ash_pct_dm"]
)
@pytest.mark.parametrize("grass_pct", [0.0, 100.0])
def test_rfq_needs_all_its_readings(
    guidelines: GuidelineSet, missing: str, grass_pct: float
) -> None:
    readings = rfq_readings("L1") | {missing: None}
    assert values_of(result(**readings), guidelines, grass_pct).rfq is None


def test_digestibility_at_30_hours_does_not_stand_in_for_48(guidelines: GuidelineSet) -> None:
    readings = rfq_readings("L1") | {"ndfd48_pct_ndf": None}
    assert values_of(result(**readings, ndfd30_pct_ndf=45.0), guidelines).rfq is None


def test_printed_rfq_is_used_and_a_difference_flagged(guidelines: GuidelineSet) -> None:
    values = values_of(result(**rfq_readings("L1"), rfq=165.0), guidelines)
    assert values.rfq == 165.0
    assert values.computed_rfq == pytest.approx(float(RFQ_CASES["L1"]["rfq"]), abs=1e-4)
    (note,) = values.notes
    assert note.column == "RFQ"
    assert "165" in note.text
    assert "151" in note.text


def test_both_printed_indexes_can_be_flagged(guidelines: GuidelineSet) -> None:
    notes = values_of(result(**rfq_readings("L1"), rfv=120.0, rfq=120.0), guidelines).notes
    assert [note.column for note in notes] == ["RFV", "RFQ"]


def test_printed_rfv_and_rfq_are_never_exchanged(guidelines: GuidelineSet) -> None:
    only_rfq = values_of(result(rfq=180.0), guidelines)
    assert (only_rfq.rfv, only_rfq.rfq, only_rfq.ndf) == (None, 180.0, None)
    only_rfv = values_of(result(rfv=180.0), guidelines)
    assert (only_rfv.rfv, only_rfv.rfq, only_rfv.ndf) == (180.0, None, None)


# --- stem readings


def test_stem_reading_gives_rfv_and_ndf_but_no_rfq(guidelines: GuidelineSet) -> None:
    # Weld, K., 2021, Calculating alfalfa stand quality: 26 in at bud is RFV 172, 28 in 164;
    # Ohio State University Extension, 2024, Forage maturity across Ohio: our reading of its
    # heights, NDF 17.32 + 0.697 h + 1.17, so 37.31 at the mean of 27 in
    spots = (StemSpot(26.0, StemStage.BUD), StemSpot(28.0, StemStage.BUD))
    values = values_of(result(*spots), guidelines)
    assert values.rfv == pytest.approx((172.0 + 164.0) / 2)
    assert values.ndf == pytest.approx(37.31, abs=0.005)
    assert (values.rfq, values.computed_rfv, values.computed_rfq) == (None, None, None)
    assert (values.spots, values.notes) == (2, ())


def test_spot_outside_the_stem_tables_is_left_out_with_a_note(guidelines: GuidelineSet) -> None:
    spots = (StemSpot(26.0, StemStage.BUD), StemSpot(12.0, StemStage.VEGETATIVE))
    values = values_of(result(*spots, row=5), guidelines)
    assert (values.rfv, values.spots) == (172.0, 1)
    (note,) = values.notes
    assert note.row == 5
    assert "1 of 2 spots" in note.text


def test_stem_reading_without_a_usable_spot_says_nothing(guidelines: GuidelineSet) -> None:
    values = values_of(result(StemSpot(50.0, StemStage.FLOWER)), guidelines)
    assert (values.rfv, values.ndf, values.spots) == (None, None, 0)
    assert len(values.notes) == 1


# --- many at once


def test_results_of_one_file_do_not_touch_one_another(guidelines: GuidelineSet) -> None:
    results = [
        result(**rfq_readings("L1"), row=2),
        result(StemSpot(26.0, StemStage.BUD), row=3),
        result(**rfq_readings("G1"), row=4),
        result(rfv=154.0, row=5),
        result(**FIBER, rfv=170.0, row=6),
    ]
    grass = [0.0, 0.0, 90.0, None, 0.0]
    together = index_values(results, grass, guidelines)
    alone = [values_of(one, guidelines, share) for one, share in zip(results, grass, strict=True)]
    assert together == alone


def test_no_results_give_no_values(guidelines: GuidelineSet) -> None:
    assert index_values([], [], guidelines) == []


# --- time of day


@pytest.mark.parametrize(
    ("sampled_at", "late"),
    [(None, False), (time(6, 30), False), (time(7, 59), False), (time(8), True), (time(14), True)],
)
def test_clip_is_late_from_8_am(sampled_at: time | None, late: bool) -> None:
    # University of Minnesota Extension, n.d., Alfalfa scissors cut sampling procedure: before 8 am
    assert is_late_in_day(sampled_at, time(8)) is late
