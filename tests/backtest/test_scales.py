"""Why RFV is modelled as 1/sqrt(RFV).

Table of RFV by stem height: Weld, K., 2021, Calculating alfalfa stand quality.
"""

from __future__ import annotations

import numpy as np
import pytest

from alerts.backtest.scales import SCALES, bend, scale_scores, scales_as_table
from alerts.domain.guidelines import GuidelineSet


def test_scales_come_back_to_rfv_and_rise_as_the_crop_ripens() -> None:
    rfv = np.linspace(240.0, 90.0, 40)
    for scale in SCALES.values():
        assert (np.diff(scale.to(rfv)) > 0).all()
        np.testing.assert_allclose(scale.back(scale.to(rfv)), rfv, rtol=1e-4)


def test_published_table_is_straight_on_the_chosen_scale_alone() -> None:
    # the figures of the docstring of alerts.agronomy.scale
    bends = {name: bend(scale) for name, scale in SCALES.items()}
    expected = {"RFV itself": 0.081, "log RFV": 0.027, "1/sqrt RFV": 0.007, "NDF": 0.006}
    assert bends == {name: pytest.approx(value, abs=5e-4) for name, value in expected.items()}


def test_the_chosen_scale_dates_crossings_better_than_rfv_and_its_logarithm(
    guidelines: GuidelineSet,
) -> None:
    scores = scale_scores(guidelines, areas=40, seed=9)
    for rounds in (7, 12):
        mae = {s.scale: s.crossing.mae for s in scores if s.rounds == rounds}
        assert mae["1/sqrt RFV"] < mae["log RFV"] < mae["RFV itself"]
        assert mae["1/sqrt RFV"] == pytest.approx(mae["NDF"], rel=0.05)
    assert scales_as_table(scores).row_count == len(scores) == 8
