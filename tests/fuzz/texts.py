"""Fuzzers of what people text: whatever it is, it is a command, and never acts by accident."""

from __future__ import annotations

from datetime import date

import inbound_samples
from fuzz.material import TOKENS, changed_texts
from fuzz.running import Fuzzer, plain
from hypothesis import strategies as st

from alerts.intake.inbound_commands import Command, Cut, Reading, Unclear, Wait
from alerts.intake.inbound_text import agrees, in_spanish, read_text, said_key

TODAY = date(2031, 5, 12)
SAMPLES = tuple(
    text
    for said in vars(inbound_samples).values()
    if isinstance(said, list | tuple)
    for text in said
    if isinstance(text, str)
)
WORDS = st.sampled_from(
    ("cut", "CORTE", "north", "norte", "40", "creek", "all", "todo", "today", "ayer", "mañana",
     "monday", "5/12", "12/5", "5/12/31", "2/30", "99/99", "stop", "STOP", "alto", "yes", "sí",
     "no", "not", "undo", "wait", "3", "999999999999999999999", "days", "why", "when", "link",
     "28", "bud", "in", "cm", "71cm", "28\"", "...", "?", "¿", "!", "@", "+", ".", ",", "/", "-",
     "the", "el", "tomorrow", "dont", "don't", "start", "help", "gracias", "0", "1e9", "٣/٤")
)  # fmt: skip
NAMES = st.lists(
    st.sampled_from(("North", "North 40", "Creek Piece", "Norte", "All", "Stop", "5/12", "Bud", "",
                     "...", "Yes", "Ñandú", "İ", "x" * 300))
    | TOKENS,
    max_size=4,
)  # fmt: skip
BODIES = st.one_of(
    st.lists(WORDS | TOKENS, max_size=14).map(" ".join),
    changed_texts(SAMPLES, WORDS | TOKENS),
    changed_texts(SAMPLES, WORDS | TOKENS),
    st.text(st.characters(), max_size=200),
    WORDS.map(lambda word: f"{word} " * 300),
)
DAY_FIRST = st.sampled_from((None, True, False))

Said = tuple[str, list[str], bool | None]


def check_text(said: Said) -> None:
    """A command of the declared kinds, the same when read twice, with days and numbers in range."""
    body, names, day_first = said
    found = read_text(body, TODAY, names, day_first=day_first)
    assert isinstance(found, Command)
    assert found == read_text(body, TODAY, tuple(names), day_first=day_first)
    _in_range(found)
    agrees(body)
    in_spanish(body)
    for name in names:
        said_key(name)


def _in_range(found: Command) -> None:
    if isinstance(found, Cut):
        assert abs(found.day.year - TODAY.year) <= 100
    elif isinstance(found, Wait):
        assert found.days is None or 0 <= found.days < 10_000
    elif isinstance(found, Reading):
        assert all(0 <= spot.height_in < 1e6 for spot in found.spots)
    elif isinstance(found, Unclear):
        assert found.reason in {
            *("", "day", "which_day", "denied", "planned", "stop", "wait", "undo", "stems", "lab")
        }


FUZZERS: tuple[Fuzzer, ...] = (
    plain("inbound-text", st.tuples(BODIES, NAMES, DAY_FIRST), check_text),
)
