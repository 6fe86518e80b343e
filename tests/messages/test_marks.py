from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.messages.marks import ALPHABET, LENGTH, mark
from alerts.messages.segments import Encoding, TextSize, count


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"]), min_size=1))
def test_mark_is_the_same_each_time_and_costs_six_septets(message_id: str) -> None:
    first = mark(message_id)
    assert first == mark(message_id)
    assert first[0] == "#"
    assert set(first[1:]) <= set(ALPHABET)
    assert count(first) == TextSize(Encoding.GSM_7, 6, 1)


def test_mark_of_a_known_id_never_changes() -> None:
    # A queued text must be found again after an upgrade. Checked with sha256sum and perl's
    # bigint: the digest modulo 27**5, written in base 27 with the lowest place first.
    assert mark("farm-12/2027-05-24") == "#6H6RN"


def test_alphabet_has_no_vowel_and_no_look_alike() -> None:
    assert not set(ALPHABET) & set("AEIOUY01L")
    assert len(set(ALPHABET)) == len(ALPHABET) == 27


def test_marks_spread_over_the_whole_range() -> None:
    marks = [mark(f"message-{number}") for number in range(20_000)]
    # Birthday arithmetic: 20000 * 19999 / 2 / 27**5 = 13.9 shared marks expected; 40 is 7 sigma.
    assert len(marks) - len(set(marks)) < 40
    assert {m[place] for m in marks for place in range(1, LENGTH + 1)} == set(ALPHABET)


def test_mark_of_an_empty_id_is_refused() -> None:
    with pytest.raises(ValueError, match="message id is empty"):
        mark("")
