from __future__ import annotations

import json

import pytest
from clip_and_stems import CLIP, STEMS, WHOLE
from hypothesis import given
from hypothesis import strategies as st

from alerts.domain.kept_readings import Kept, all_kept, readings_of, said, said_of
from alerts.domain.records import Readings, Result
from alerts.domain.results import Results

VALUES = st.none() | st.floats(0, 1000) | st.floats(allow_nan=False, allow_infinity=False)
READINGS = st.builds(Readings, *[VALUES] * len(Readings._fields))


def as_stored(results: Results) -> list[Kept]:
    """What comes back of a column of JSON."""
    return [json.loads(json.dumps(one)) for one in all_kept(results)]


@given(st.lists(READINGS, min_size=1, max_size=4))
def test_what_is_kept_is_read_as_it_was_said(readings: list[Readings]) -> None:
    results = Results.of([CLIP._replace(readings=one) for one in readings])
    stored = as_stored(results)
    assert stored == [list(one) for one in readings]
    assert [readings_of(one)[0] for one in stored] == readings


def test_stems_are_kept_beside_clips() -> None:
    stored = as_stored(Results.of(WHOLE))
    assert [readings_of(one) for one in stored] == [(one.readings, one.spots) for one in WHOLE]
    assert stored[1] == {"spots": [[26.0, "bud"], [28.0, "bud"]]}


def test_no_results_keep_nothing() -> None:
    assert all_kept(Results.of(())) == []


@pytest.mark.parametrize("result", [CLIP, STEMS])
def test_object_kept_by_an_earlier_version_is_read_as_before(result: Result) -> None:
    assert said_of(said(result)) == said(result)
    assert readings_of(said(result)) == (result.readings, result.spots)


def test_row_kept_before_a_reading_was_added_does_not_say_it() -> None:
    assert readings_of([20.5, 30.0])[0] == Readings(cp_pct_dm=20.5, adf_pct_dm=30.0)
    assert said_of([None, 30.0]) == {"adf_pct_dm": 30.0}
