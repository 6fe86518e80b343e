from __future__ import annotations

import gc
from collections.abc import Iterator

import pytest

from alerts.services.no_cycles import without_search_for_cycles


@pytest.fixture(autouse=True)
def enabled_again() -> Iterator[None]:
    yield
    gc.enable()


def test_search_rests_until_the_last_of_several_is_done() -> None:
    with without_search_for_cycles():
        assert not gc.isenabled()
        with without_search_for_cycles():
            assert not gc.isenabled()
        assert not gc.isenabled()
    assert gc.isenabled()


def test_search_goes_on_after_a_failure() -> None:
    with pytest.raises(ValueError, match="no"), without_search_for_cycles():
        raise ValueError("no")
    assert gc.isenabled()


def test_search_that_was_off_before_stays_off() -> None:
    gc.disable()
    with without_search_for_cycles():
        assert not gc.isenabled()
    assert not gc.isenabled()
