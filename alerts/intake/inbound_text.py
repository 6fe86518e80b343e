"""A text from a phone as a command: what somebody in a tractor wants to say in a few words.

Reading is forgiving of case, accents, punctuation, filler words and spelling, in English and
Spanish. A wish to be left alone counts in any wording that a reasonable person understands.
Everything else acts only where the words plainly say it: a cut is one where, besides the word for
it, names and a day, nothing is left over that could turn its sense; else it is asked about.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from datetime import date

from alerts.intake import inbound_keywords as keywords
from alerts.intake.inbound_commands import (
    Command,
    Cut,
    Help,
    Link,
    No,
    Reading,
    Spot,
    Start,
    Stop,
    Thanks,
    Unclear,
    Wait,
    When,
    Why,
    Yes,
)
from alerts.intake.inbound_days import DaySaid
from alerts.intake.inbound_reader import Reader
from alerts.intake.inbound_tokens import MEANT, keys_of, nearest, pieces_of, plain_text
from alerts.intake.inbound_words import EVERYDAY

__all__ = [
    "Command",
    "Cut",
    "Help",
    "Link",
    "No",
    "Reading",
    "Spot",
    "Start",
    "Stop",
    "Thanks",
    "Unclear",
    "Wait",
    "When",
    "Why",
    "Yes",
    "agrees",
    "in_spanish",
    "read_text",
    "said_key",
]

MOST_WORDS_OF_YES = 6
KEYWORD_LIKENESS = 0.75
"""How alike a misspelt word must be in a text that is nothing but a keyword."""


def read_text(
    body: str, today: date, names: Iterable[str] = (), *, day_first: bool | None = None
) -> Command:
    """What a text says.

    Parameters
    ----------
    body : the text as it came
    today : the local date on which it was written
    names : names of fields and farms the writer may mean, so that 'north 40' is one
    day_first : whether the writer may put the day before the month; None: a text in Spanish does

    Notes
    -----
    Never raises. A date is month/day; one without a year is of this year.
    """
    plain, keys = plain_text(body), keys_of(names)
    day_first = in_spanish(body) if day_first is None else day_first
    whole = _whole(plain, keys)
    if whole is not None:
        return whole
    if keywords.SILENT.match(plain):
        return Thanks()
    if _opts_out(plain):
        return Stop()

    def reader(said: str) -> Reader:
        return Reader(said, pieces_of(said, keys), DaySaid(today, day_first))

    if corrects := keywords.CORRECTS.match(plain):
        corrected = reader(plain[corrects.end() :]).correction()
        if corrected is not None:
            return corrected
    if after_all := keywords.AFTER_ALL.match(plain):
        rest = reader(plain[after_all.end() :]).command()
        if isinstance(rest, Cut):
            return rest
    return reader(plain).command()


def said_key(name: str) -> str:
    """A name as it is compared with what is texted: without accents, capitals and punctuation."""
    return " ".join(keys_of([name]))


def in_spanish(body: str) -> bool:
    """Whether a text holds Spanish words."""
    return not keywords.SPANISH.isdisjoint(_bare(plain_text(body)).split())


def agrees(body: str) -> bool:
    """Whether a text that answers 'was it you?' says yes in any wording, and nothing against it."""
    said = _bare(plain_text(body)).split()
    assents = not keywords.AGREES.isdisjoint(said) and keywords.DENIES.isdisjoint(said)
    return assents and len(said) <= MOST_WORDS_OF_YES and "?" not in body


def _bare(plain: str) -> str:
    return " ".join(re.sub(r"[\W_]+", " ", plain).split())


def _whole(plain: str, keys: Collection[str]) -> Command | None:
    """The command of a text that is one keyword and nothing else."""
    bare = _bare(plain)
    kept = " ".join(word for word in bare.split() if word not in keywords.POLITE)
    if not bare:
        return Help() if "?" in plain else Unclear()
    if bare in keywords.DECLINED_TEXTS:
        return No(declines=True)
    for text in (bare, kept):
        for texts, command in _WHOLE:
            if text in texts:
                return command
    if keywords.OFF_HOLD.fullmatch(bare):
        return Wait(0)
    known = kept in MEANT or kept in keys or kept in EVERYDAY
    return None if known or len(kept) <= 3 or " " in kept else _misspelt(kept)


def _misspelt(word: str) -> Command | None:
    """Only what stops or tells is forgiven a slip: nothing may start by one."""
    for choice, command in _FORGIVEN:
        near = nearest(word, choice, KEYWORD_LIKENESS)
        if near[:1] == word[0]:
            return command
    return None


_WHOLE: tuple[tuple[frozenset[str], Command], ...] = (
    (keywords.STOP_TEXTS, Stop()),
    (keywords.START_TEXTS, Start()),
    (keywords.HELP_TEXTS, Help()),
    (keywords.START_LIKE_YES, Yes()),
    (keywords.YES_TEXTS, Yes(plain=False)),
    (keywords.NO_TEXTS, No()),
    (keywords.THANKS_TEXTS, Thanks()),
)
_FORGIVEN: tuple[tuple[tuple[str, ...], Command], ...] = (
    (keywords.MISSPELT_STOPS, Stop()),
    (("help", "info", "ayuda", "informacion"), Help()),
    (("when", "cuando"), When()),
    (("link", "enlace"), Link()),
)


def _opts_out(plain: str) -> bool:
    clauses = (_bare(clause) for clause in re.split("[,.;:!?]+", plain))
    return keywords.OPT_OUT.search(" , ".join(clauses)) is not None
