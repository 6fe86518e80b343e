"""The day that a text from a phone speaks of."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from alerts.intake.inbound_tokens import Token, day_number
from alerts.intake.inbound_words import Sense

_DAYS_AWAY = {Sense.TODAY: 0, Sense.YESTERDAY: -1, Sense.DAY_BEFORE: -2, Sense.TOMORROW: 1}
_UNITS = {Sense.DAY: 1, Sense.WEEK: 7}
_ONE = ("a", "an", "un", "una")
_LONGEST_MONTH = 31
_LONGEST_SAYING = 5  # pieces: 'a couple of weeks ago'
_MOST_AGO = 400


@dataclass(slots=True)
class DaySaid:
    """What was said of a day: the day itself, a ``fault`` such as '5/41', or no one day.

    ``day_first``: '4/5' may be the fourth of May, as it is written in Spanish.
    """

    today: date
    day_first: bool = False
    days: set[date] = field(default_factory=set)
    fault: str = ""
    vague: str = ""  # 'last week', '4/5': said, and not one day
    weekday: int | None = None
    several: bool = False  # weekdays

    @property
    def day(self) -> date:
        return next(iter(self.days), self.today)

    @property
    def is_one(self) -> bool:
        """Whether at most one day was said, and plainly."""
        return not self.vague and not self.several and len(self.days) <= 1

    def take(self, tokens: Sequence[Token]) -> list[Token]:
        """Read the pieces that say a day; returns the others."""
        readers = (self._ago, self._last, self._month_and_day, self._alone)
        kept: list[Token] = []
        at = 0
        while at < len(tokens):
            ahead = tokens[at : at + _LONGEST_SAYING]
            used = next(filter(None, (read(ahead) for read in readers)), 0)
            if not used:
                kept.append(tokens[at])
            at += max(used, 1)
        if self.weekday is not None and self.weekday not in {day.weekday() for day in self.days}:
            back = (self.today.weekday() - self.weekday) % 7
            self.days.add(self.today - timedelta(days=back))
        return kept

    def until(self) -> int:
        """Days from today to the day said, a weekday being the next of its name; else 0."""
        if self.weekday is not None:
            return (self.weekday - self.today.weekday() - 1) % 7 + 1
        return max(0, (self.day - self.today).days) if self.days and self.is_one else 0

    # ------------------------------------------------------- each returns the pieces it took

    def _ago(self, tokens: Sequence[Token]) -> int:
        """'2 days ago', 'a couple of weeks ago', 'hace dos dias'."""
        since = tokens[0].sense is Sense.SINCE
        at, many = int(since), 0.0
        while at < len(tokens) and tokens[at].sense not in _UNITS:
            if tokens[at].number is None and tokens[at].text not in ("of", *_ONE):
                return 0
            many = tokens[at].number or many or 1.0
            at += 1
        told = since or [token.sense for token in tokens[at + 1 : at + 2]] == [Sense.AGO]
        if at == len(tokens) or not told or not 0 < many <= _MOST_AGO:
            return 0
        unit = Sense.WEEK if tokens[at].sense is Sense.WEEK else Sense.DAY
        self.days.add(self.today - timedelta(days=int(many) * _UNITS[unit]))
        return at + (1 if since else 2)

    def _last(self, tokens: Sequence[Token]) -> int:
        """'last monday', 'el lunes pasado': never today; 'last week' is no day."""
        pair = tokens[:2]
        if len(pair) < 2 or Sense.LAST not in (pair[0].sense, pair[1].sense):
            return 0
        other = pair[0] if pair[1].sense is Sense.LAST else pair[1]
        if other.weekday is not None:
            back = (self.today.weekday() - other.weekday - 1) % 7 + 1
            self.days.add(self.today - timedelta(days=back))
        elif other.sense in (Sense.WEEK, Sense.VAGUE) or other.month is not None:
            self.vague = f"{pair[0].text} {pair[1].text}"
        else:
            return 0
        return 2

    def _month_and_day(self, tokens: Sequence[Token]) -> int:
        """'may 14', '14 may', '14 de mayo', 'may 14 2027'."""
        said = [token for token in tokens if token.text not in ("de", "of", "del")][:3]
        if len(said) < 2 or said[0] is not tokens[0]:
            return 0
        for month, number in (said[:2], said[1::-1]):
            if month.month is None or not day_number(number):
                continue
            year = said[2] if len(said) == 3 and _is_year(said[2]) else None
            last = year or said[1]
            value = int(year.number) if year and year.number else None
            self._set(month.month, day_number(number), f"{said[0].text} {said[1].text}", value)
            return next(k for k, token in enumerate(tokens) if token is last) + 1
        return 0

    def _alone(self, tokens: Sequence[Token]) -> int:
        token = tokens[0]
        if token.day:
            self._written(token.day)
        elif token.weekday is not None:
            self.several |= self.weekday not in (None, token.weekday)
            self.weekday = token.weekday
        elif token.sense in _DAYS_AWAY:
            away = timedelta(days=_DAYS_AWAY[token.sense])
            self.days.add(self.today + away)
        elif token.sense is Sense.VAGUE or token.sense is Sense.AGO:
            self.vague = token.text
        else:
            return 0
        return 1

    # ------------------------------------------------------------------------- writing

    def _written(self, said: str) -> None:
        """'5/14', '5/14/27', or the '14' of '14th'."""
        parts = [int(part) for part in re.split("[/-]", said)]
        if len(parts) == 1:
            back = (self.today - timedelta(days=k) for k in range(_LONGEST_MONTH))
            found = next((day for day in back if day.day == parts[0]), None)
            self.days |= {found} if found else set()
            self.fault = self.fault or ("" if found else said)
            return
        month, day = parts[:2]
        year = parts[2] if len(parts) == 3 else self.today.year
        year = year + 2000 if year < 100 else year
        if month > 12 >= day:  # cannot be meant the other way round
            month, day = day, month
        elif self.day_first and day <= 12 and month != day:
            month, day = self._either_way(month, day, year, said)
        self._set(month, day, said, year)

    def _either_way(self, month: int, day: int, year: int, said: str) -> tuple[int, int]:
        """'4/5' is the one that lies in the past; where both do, it has to be asked."""
        past = [
            (one, other)
            for one, other in ((month, day), (day, month))
            if one and other and date(year, one, other) <= self.today
        ]
        if len(past) == 2:
            self.vague = said
        return past[0] if past else (month, day)

    def _set(self, month: int, day: int, said: str, year: int | None = None) -> None:
        try:
            self.days.add(date(self.today.year if year is None else year, month, day))
        except ValueError:
            self.fault = said


def _is_year(token: Token) -> bool:
    return token.number is not None and 2000 <= token.number <= 2100
