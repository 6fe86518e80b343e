"""A text from a phone in pieces: words by what they mean, numbers, days and known names."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches

from alerts.domain.names import name_key
from alerts.intake import inbound_words as words
from alerts.intake.inbound_words import Sense

LONGEST_TEXT = 1600
"""Characters of a text that are looked at; gateways pass on no more."""

MOST_PIECES = 150
SHORT_WORD = 6
LIKENESS, LIKENESS_OF_LONG = 0.8, 0.85
"""How alike a misspelt word must be to one that is known: about one slip."""

_MARK = "\ue000"
_LONG_FORMS = {"ll": " will", "d": " would"}
_SHORT_FORMS = re.compile(r"(?<=\w)['’](ll|d)\b", re.IGNORECASE)
"""'we'd' and 'I'll' without their apostrophe would be other words."""


def plain_text(body: str) -> str:
    """Lower case, without accents, apostrophes and line breaks."""
    text = _SHORT_FORMS.sub(lambda found: _LONG_FORMS[found[1].lower()], body[:LONGEST_TEXT])
    for fraction, decimal in (("½", ".5"), ("¼", ".25"), ("¾", ".75")):
        text = re.sub(rf"(?<=\d){fraction}", decimal, text)
    apart = unicodedata.normalize("NFKD", text.casefold())
    kept = "".join(c for c in apart if not unicodedata.combining(c) and c != _MARK)
    kept = re.sub("[“”„″]", '"', re.sub("['’‘`´]", "", kept))
    return " ".join(re.sub(r"[\x00-\x1f\x7f]", " ", kept).split())


MEANT = frozenset({*words.WORDS, *words.STAGES, *words.WEEKDAYS, *words.MONTHS, *words.NUMBERS})
_EXACT = {
    Sense.START,
    Sense.STOP,
    Sense.TO_CUT,
    Sense.INERT,
    Sense.FILLER,
    Sense.WEATHER,
    Sense.WAIT,
    Sense.ALL,
}
"""What is never read into a misspelt word: it would do, or excuse, too much."""

_NEAR = [
    word
    for word in (*words.WORDS, *words.STAGES, *words.WEEKDAYS)
    if len(word) > 3 and words.WORDS.get(word) not in _EXACT
]


@dataclass(frozen=True, slots=True)
class Token:
    """One piece of a text: exactly one of what follows is set, besides the text itself."""

    text: str
    sense: Sense | None = None
    name: str = ""  # of a field or farm that is known
    number: float | None = None
    stage: str = ""
    day: str = ""  # "5/14", as said
    weekday: int | None = None
    month: int | None = None
    asks: bool = False
    misspelt: bool = False

    @property
    def is_loose(self) -> bool:
        """A word without a meaning here: part of a name, perhaps."""
        return self == Token(self.text)


_PIECES = re.compile(
    rf"{_MARK}(?P<name>\d+){_MARK}"
    r"|(?P<range>\b(?:1[3-9]|[2-9]\d)-(?:1[3-9]|[2-9]\d)\b"
    r"|\b\d{1,2} ?(?:-|to|a|or|o) ?\d{1,2}"
    r"(?= ?(?:\"|cm\b|in\b|inch|pulg|[bfv]\b|bud|bloom|flow|bot|flor)))"
    r"|(?P<clock>\b\d{1,2}(?::\d\d)? ?[ap]\.?m\b\.?|\b\d{1,2}:\d\d\b)"
    r"|(?P<share>\b\d+(?:\.\d+)? ?%|\b1/10\b)"
    r"|(?P<day>\b\d{1,2}[/-]\d{1,2}(?:[/-]\d{2,4})?\b)"
    r"|(?P<number>(?<!\w)\d{1,6}(?:\.\d{1,4})?)"
    r"(?P<unit>cm|inches|inch|in|buds?|veg|fl|[bvf]|st|nd|rd|th)?(?!\w)"
    r"|(?P<word>\w+)"
    r"|(?P<asks>[?¿])"
    r"|(?P<break>[,.;:!])"
)


def pieces_of(plain: str, keys: Sequence[str]) -> list[Token]:
    """The pieces of a plain text in their order; ``keys`` are the names that are known."""
    for said, meant in _PHRASES:
        plain = said.sub(meant, plain)
    marked = plain
    for place, key in enumerate(keys):
        marked = _pattern(key).sub(f" {_MARK}{place}{_MARK} ", marked)
    found: list[Token] = []
    for piece in _PIECES.finditer(marked):
        found.extend(_read(piece, keys))
    return found[:MOST_PIECES]


_PHRASES = tuple(
    (re.compile(said), meant)
    for said, meant in (
        (r"\b(\d{1,3}) 1/2\b", r"\1.5"),
        (r"\b(?:esta|por la|en la|de la) manana\b", "hoy"),
        (r"\bpor que\b", "porque"),
        (r"\bday before yesterday\b", "anteayer"),
        (r"\b(?:last night|ayer (?:en|por) la (?:noche|tarde))\b", "yesterday"),
        (r"\bstop (?:by|in|over|at)\b", " "),
        (r"\bfor now\b", "for"),
        (r"\b(north|south|east|west) of\b", r"\1 beyond"),
        (r"\b(norte|sur|este|oeste) de\b", r"\1 beyond"),
        (r"\b((?:empez|comenz|inici|termin|acab)\w*) (?:a|de) cortar\b", r"\1 cortando"),
        (r"\b(?:other than|aside from|apart from|but not|pero no)\b", "except"),
        (r"\b\d(?:st|nd|rd|th|er|do)? (cutting|cut|crop|corte)\b", r"\1"),
    )
)
"""What two words mean together and not one by one."""


def keys_of(names: Iterable[str]) -> list[str]:
    """Names as they are compared, the longest first, so that 'north 40' wins over 'north'."""
    plain = {name_key(plain_text(name)) for name in names} - {""}
    return sorted(plain, key=lambda key: (-len(key), key))


def _pattern(key: str) -> re.Pattern[str]:
    parts = [_either(part) for part in key.split()]
    said = r"[\W_]+".join(parts)
    if key.isdigit():  # a bare number is a height or a day
        said = rf"(?:fields?|campo|potrero|lote|no\.?|#) ?{said}"
    return re.compile(rf"(?<![\w{_MARK}]){said}(?![\w{_MARK}]|/\d|-\d)")


def _either(part: str) -> str:
    """A direction in either language."""
    for one, other in words.OPPOSITES.items():
        if part in (one, other):
            return f"(?:{one}|{other})"
    return re.escape(part)


def _read(piece: re.Match[str], keys: Sequence[str]) -> list[Token]:
    text = piece.group()
    if piece["name"]:
        key = keys[int(piece["name"])]
        return [Token(key, name=key)]
    if piece["clock"]:
        return []
    for kind in (Sense.SHARE, Sense.RANGE, Sense.BREAK):
        if piece[kind]:
            return [Token(text, sense=kind)]
    if piece["day"]:
        return [Token(text, day=text)]
    if piece["number"]:
        return _number(text, float(piece["number"]), piece["unit"] or "")
    if piece["asks"]:
        return [Token(text, asks=True)]
    return [_word(text, keys)]


def _number(text: str, value: float, unit: str) -> list[Token]:
    if unit in ("st", "nd", "rd", "th"):
        return [Token(text, day=f"{value:.0f}")]
    found = [Token(text, number=value)]
    if unit in words.STAGES:
        found.append(Token(unit, stage=words.STAGES[unit]))
    elif unit == "cm":
        found.append(Token(unit, sense=Sense.CM))
    return found


def _word(text: str, keys: Sequence[str]) -> Token:
    """A word by what it means; a misspelt one by what it is nearest to, names first."""
    if text in MEANT or text in words.EVERYDAY or len(text) < 4:
        return _meaning(text)
    single = [key for key in keys if " " not in key and len(key) > 3]
    if name := nearest(text, single):
        return Token(name, name=name)
    near = nearest(text, _NEAR)
    return replace(_meaning(near), misspelt=True) if near else _meaning(text)


def nearest(text: str, choice: Sequence[str], likeness: float | None = None) -> str:
    """The word that is most like ``text`` and of about its length, or ""."""
    wanted = likeness or (LIKENESS if len(text) <= SHORT_WORD else LIKENESS_OF_LONG)
    found = get_close_matches(text, choice, 3, wanted)
    return next((word for word in found if abs(len(word) - len(text)) <= 1), "")


def _meaning(text: str) -> Token:
    if text in words.WORDS:
        return Token(text, sense=words.WORDS[text])
    if text in words.STAGES:
        return Token(text, stage=words.STAGES[text])
    if text in words.WEEKDAYS:
        return Token(text, weekday=words.WEEKDAYS[text])
    if text in words.MONTHS:
        return Token(text, month=words.MONTHS[text])
    if text in words.NUMBERS:
        return Token(text, number=float(words.NUMBERS[text]))
    return Token(text)


def day_number(token: Token) -> int:
    """The number of a day of a month, or 0."""
    if token.day.isdigit():
        return int(token.day)
    said = token.number
    return int(said) if said is not None and said == int(said) and 0 < said < 100 else 0
