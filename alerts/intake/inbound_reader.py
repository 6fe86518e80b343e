"""What a text means as a whole, out of its pieces."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from alerts.agronomy.units import inches_from_cm
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
    Unclear,
    Wait,
    When,
    Why,
)
from alerts.intake.inbound_days import DaySaid
from alerts.intake.inbound_names import names_said
from alerts.intake.inbound_tokens import Token
from alerts.intake.inbound_words import Sense

MOST_SPOTS = 40

OF_CUTTING = {Sense.CUT, Sense.TO_CUT, Sense.BEGAN, Sense.ENDED}
PLAIN_CUT = {
    *(Sense.CUT, Sense.BEGAN, Sense.ENDED, Sense.ALL, Sense.AND, Sense.AREA, Sense.NIGHT),
    *(Sense.INERT, Sense.BREAK),
}
"""What may stand in the text of a cut, besides names and a day, without a question."""

TELLS_A_START = (Sense.CUT, Sense.BEGAN)
"""Alone, too: 'we started'. 'We finished' says neither what nor when it began."""

PLAIN_WAIT = {
    *(Sense.WAIT, Sense.DAY, Sense.WEEK, Sense.PLAN, Sense.TO, Sense.WEATHER, Sense.TEXTS),
    *(Sense.ALL, Sense.AND, Sense.INERT, Sense.FILLER, Sense.BREAK),
}
PLAIN_STOP = {
    *(Sense.STOP, Sense.TEXTS, Sense.NOT, Sense.MAYBE, Sense.ALL, Sense.AND, Sense.HELP),
    *(Sense.INERT, Sense.FILLER, Sense.BREAK),
}
NOT_AS_IT_STANDS = {
    *(Sense.NOT, Sense.PLAN, Sense.MAYBE, Sense.TO, Sense.BEGAN, Sense.ENDED, Sense.RANGE),
    Sense.EXCEPT,
}
"""What makes of heights and a stage something else than a reading."""

NO_DAY = {Sense.WEEK, Sense.DAY, Sense.LAST, Sense.SINCE}
"""Left over where no day could be made of it."""

_BEFORE_STOP = {Sense.INERT, Sense.FILLER, Sense.MAYBE, Sense.NOT, Sense.BREAK, Sense.AND}
_MORE_OF_NO = {Sense.NOT, Sense.INERT, Sense.BREAK}


@dataclass(slots=True)
class Reader:
    """One text: ``plain`` as it stands, and in pieces."""

    plain: str
    tokens: list[Token]
    said: DaySaid
    senses: set[Sense] = field(init=False)

    def __post_init__(self) -> None:
        self.tokens = self.said.take(self.tokens)
        self.senses = {token.sense for token in self.tokens if token.sense is not None}

    def command(self) -> Command:
        about_cutting = self._has(*OF_CUTTING) or self._starts_a_field()
        if not about_cutting and not self._is_named() and self._stops_in_a_clause():
            return Stop()
        if self._has(Sense.WHY):
            return Why(self._name())
        if self._has(Sense.WHEN) or (about_cutting and self._is_asked()):
            return When(self._name())
        if self._has(Sense.WAIT, Sense.WAITED):
            return Unclear("wait") if about_cutting else self._wait()
        if self._has(Sense.STOP):
            return Unclear("stop") if about_cutting else self._stop()
        if self._has(Sense.REMOVE):
            return Unclear("stop")
        if self._has(Sense.LAB, Sense.UNDO):
            return Unclear("lab" if self._has(Sense.LAB) else "undo")
        if about_cutting and not (self._heights() and not self._has(Sense.CUT, Sense.TO_CUT)):
            return self._cut()
        return self._reading() if self._heights() else self._rest()

    def correction(self) -> Command | None:
        """What is right, of the text behind 'no,' or 'wrong'; None where that is something else."""
        if not self.plain.strip():
            return No()
        other = (Sense.STOP, Sense.WAIT, Sense.WAITED, Sense.WHEN, Sense.WHY, Sense.START)
        if self._is_asked() or self._heights() or self._has(*other):
            return None
        day_wrong = self._day_wrong()
        if day_wrong is not None:
            return day_wrong
        if all(token.sense in _MORE_OF_NO for token in self.tokens) and not self.said.days:
            return No(declines=True)
        names, plain = names_said(self.tokens, numbers_too=True)
        if not plain or not self._is_only(PLAIN_CUT):
            return Unclear("undo")
        return No(names, self.said.day if self.said.days else None)

    def _rest(self) -> Command:
        if self._has(Sense.LINK):
            return Link()
        if self._has(Sense.START) and not self._has(Sense.NOT, Sense.PLAN, Sense.MAYBE):
            return Start() if self._has(Sense.TEXTS) and not self._is_loose() else Unclear()
        if self._has(Sense.HELP):
            return Help()
        if self._has(Sense.RANGE) or any(token.stage for token in self.tokens):
            return Unclear("stems")
        return When(self._name()) if self._is_named() and not self._is_loose() else Unclear()

    # ------------------------------------------------------------------ what there is

    def _has(self, *senses: Sense) -> bool:
        return not self.senses.isdisjoint(senses)

    def _is_named(self) -> bool:
        return any(token.name for token in self.tokens)

    def _is_loose(self) -> bool:
        return any(token.is_loose for token in self.tokens)

    def _is_only(self, senses: set[Sense]) -> bool:
        """Whether no word means anything else; names and numbers do not count."""
        return all(
            token.sense in senses if token.sense is not None else token.month is None
            for token in self.tokens
            if not token.name
        ) and not any(token.misspelt for token in self.tokens)

    def _is_asked(self) -> bool:
        asks = keywords.ASKS.match(self.plain) is not None
        return asks or any(token.asks for token in self.tokens)

    def _starts_a_field(self) -> bool:
        return self._has(Sense.START) and self._is_named()

    def _clauses(self) -> Iterator[list[Token]]:
        clause: list[Token] = []
        for token in self.tokens:
            if token.sense is Sense.BREAK:
                yield clause
                clause = []
            else:
                clause.append(token)
        yield clause

    def _name(self) -> str:
        return next(iter(names_said(self.tokens, numbers_too=False)[0]), "")

    # ------------------------------------------------------------------------ cutting

    def _cut(self) -> Command:
        if not self._has(Sense.CUT, Sense.TO_CUT) and self._tells_a_stage():
            return Unclear("stems")
        if any(self._denies(clause) for clause in self._clauses()):
            return Unclear("denied")
        if self._has(Sense.PLAN, Sense.MAYBE, Sense.TO_CUT) or self._is_to_come():
            return Unclear("planned")
        day_wrong = self._day_wrong()
        if day_wrong is not None:
            return day_wrong
        names, plain = names_said(self.tokens, numbers_too=True)
        if plain and self._is_only(PLAIN_CUT) and (self._has(*TELLS_A_START) or names):
            return Cut(names, self.said.day, all=self._has(Sense.ALL))
        known = tuple(dict.fromkeys(token.name for token in self.tokens if token.name))
        if self._has(Sense.EXCEPT) or (self._has(Sense.NOT) and len(known) > 1):
            return Cut((), self.said.day, sure=False)
        return Cut(known, self.said.day, all=self._has(Sense.ALL), sure=False)

    def _day_wrong(self) -> Unclear | None:
        if self.said.fault:
            return Unclear("day", self.said.fault)
        if not self.said.is_one or self._has(*NO_DAY):
            return Unclear("which_day", self.said.vague)
        return None

    @staticmethod
    def _denies(clause: Sequence[Token]) -> bool:
        senses = {token.sense for token in clause}
        return Sense.NOT in senses and not senses.isdisjoint(OF_CUTTING)

    def _is_to_come(self) -> bool:
        """'ready to cut', 'about to start'."""
        pairs = zip(self.tokens, self.tokens[1:], strict=False)
        return any(
            one.sense is Sense.TO and other.sense in {*OF_CUTTING, Sense.START}
            for one, other in pairs
        )

    def _tells_a_stage(self) -> bool:
        """In full: a single letter may be part of a name."""
        return any(token.stage and len(token.text) > 1 for token in self.tokens)

    # ---------------------------------------------------------------- waiting, stopping

    def _wait(self) -> Command:
        numbers = [int(token.number) for token in self.tokens if token.number is not None]
        days = numbers[0] if len(numbers) == 1 else None
        if self._has(Sense.WEEK) and len(numbers) < 2:
            days = 7 * (numbers[0] if numbers else 1)
        days = self.said.until() or days
        if self._is_asked():
            return Wait(days, asked=True)
        plain = self._is_only(PLAIN_WAIT) and not self._is_loose() and self.said.is_one
        return Wait(days) if plain else Unclear("wait")

    def _stop(self) -> Command:
        if self._is_named() or self.said.days or self._heights():
            return Unclear("stop")
        denied = {token.text for token in self.tokens if token.sense is Sense.NOT}
        if denied - {"no", "nope", "yet"}:
            return Unclear()  # 'dont stop'; but 'no, stop' is a wish to stop
        first = next(token for token in self.tokens if token.sense not in _BEFORE_STOP)
        ours = not self._is_loose() or (self._has(Sense.TEXTS) and first.sense is Sense.STOP)
        plain = ours and self._is_only(PLAIN_STOP)
        return Stop() if plain else Unclear("stop")

    def _stops_in_a_clause(self) -> bool:
        """'STOP! I have had enough.'"""
        clauses = (" ".join(clause.split()) for clause in re.split("[,.;:!?]+", self.plain))
        return any(
            clause in keywords.STOP_TEXTS or keywords.STOP_WHOLE.fullmatch(clause)
            for clause in clauses
        )

    # ------------------------------------------------------------------------- stems

    def _heights(self) -> bool:
        """Whether the numbers are stem heights: with a stage, several, or one with a name."""
        told = any(token.stage or token.name or token.is_loose for token in self.tokens)
        counted = {Sense.AREA, Sense.DAY, Sense.WEEK}
        if any(after.sense in counted for token, after in self._numbers()):
            return False
        numbers = sum(token.number is not None for token in self.tokens)
        return numbers >= 2 or (numbers == 1 and told)

    def _numbers(self) -> Iterator[tuple[Token, Token]]:
        """Numbers with what follows them."""
        for token, after in zip(self.tokens, self.tokens[1:], strict=False):
            if token.number is not None:
                yield token, after

    def _reading(self) -> Command:
        day_wrong = self._day_wrong()
        if day_wrong is not None:
            return day_wrong
        counts = any(after.sense is Sense.COUNT for _, after in self._numbers())
        if self._has(*NOT_AS_IT_STANDS) or self._is_asked() or counts or self._tells_of_another():
            return Unclear("stems")
        spots: list[Spot] = []
        stage = ""
        for token in self.tokens:
            if token.number is not None:
                spots.append(Spot(self._inches(token.number)))
            elif token.stage and any(not spot.stage for spot in spots):
                # A stage said behind heights is that of all before it which have none yet.
                spots = [spot if spot.stage else replace(spot, stage=token.stage) for spot in spots]
                stage = stage or token.stage
            elif token.stage:
                stage = token.stage
        told = tuple(replace(spot, stage=spot.stage or stage) for spot in spots[:MOST_SPOTS])
        return Reading(self._name(), told, self.said.day)

    def _tells_of_another(self) -> bool:
        """Two fields in one text, of which the second may be misspelt."""
        names = {token.name for token in self.tokens if token.name}
        first = next(k for k, token in enumerate(self.tokens) if token.number is not None)
        more = any(token.is_loose for token in self.tokens[first:])
        return len(names) > 1 or (bool(names) and more)

    def _inches(self, height: float) -> float:
        return round(inches_from_cm(height), 2) if self._has(Sense.CM) else height
