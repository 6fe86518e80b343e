"""Names of fields and farms in the pieces of a text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from alerts.intake.inbound_tokens import Token
from alerts.intake.inbound_words import Sense


class Run(NamedTuple):
    """Pieces that make one name, or could."""

    name: str
    is_known: bool
    is_joined: bool  # 'and' stands before it


def names_said(tokens: Sequence[Token], *, numbers_too: bool) -> tuple[tuple[str, ...], bool]:
    """Names in a text, those known and words that could be one; and whether no word is left over.

    Where a known name stands, words beside it count only when 'and' joins them to it.
    ``numbers_too``: in a name a number, or a single letter, is a word like any other.
    """
    runs = list(_runs(tokens, numbers_too=numbers_too))
    known = any(run.is_known for run in runs)
    taken = [run for run in runs if (run.is_known or run.is_joined or not known) and run.name]
    return tuple(dict.fromkeys(run.name for run in taken)), len(taken) == len(runs)


def _runs(tokens: Sequence[Token], *, numbers_too: bool) -> Iterator[Run]:
    """Runs in their order; one of numbers only has no name."""
    loose: list[str] = []
    joined = any_yet = False
    for token in [*_without_areas(tokens), Token("", sense=Sense.BREAK)]:
        if token.is_loose or (numbers_too and _is_part(token)):
            loose.append(token.text)
            continue
        if token.sense in (Sense.FILLER, Sense.INERT, Sense.COUNT):
            continue
        if loose:
            name = " ".join(loose) if any(not part.isdigit() for part in loose) else ""
            yield Run(name, is_known=False, is_joined=joined)
            joined, any_yet, loose = False, True, []
        if token.name:
            yield Run(token.name, is_known=True, is_joined=joined)
            any_yet = True
        joined = token.sense is Sense.AND and any_yet


def _is_part(token: Token) -> bool:
    return token.number is not None or (bool(token.stage) and len(token.text) == 1)


def _without_areas(tokens: Sequence[Token]) -> list[Token]:
    """The pieces without '40 acres'."""
    return [
        token
        for place, token in enumerate(tokens)
        if token.number is None
        or Sense.AREA not in {t.sense for t in tokens[place + 1 : place + 2]}
    ]
