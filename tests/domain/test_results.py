from __future__ import annotations

import pytest
from clip_and_stems import WHOLE

from alerts.domain.records import Readings
from alerts.domain.results import Results


def test_columns_give_back_the_results_they_were_made_of() -> None:
    results = Results.of(WHOLE)
    assert list(results) == WHOLE
    assert [results[place] for place in range(3)] == WHOLE
    assert results[-1] == WHOLE[-1]
    assert results[1:] == WHOLE[1:]
    assert len(results) == 3
    assert results.row == (2, 3, 7)


def test_some_of_the_results_keep_their_order() -> None:
    assert list(Results.of(WHOLE).kept([True, False, True])) == [WHOLE[0], WHOLE[2]]


def test_no_results_have_all_columns() -> None:
    none = Results.of(())
    assert list(none) == list(none.kept([])) == []
    assert len(none.readings) == len(Readings._fields)


def test_place_beyond_the_last_is_an_error() -> None:
    with pytest.raises(IndexError):
        Results.of(WHOLE)[3]
