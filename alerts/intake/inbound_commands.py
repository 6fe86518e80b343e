"""What a text from a phone may say, once it is understood."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class Stop:
    pass


@dataclass(frozen=True, slots=True)
class Start:
    pass


@dataclass(frozen=True, slots=True)
class Help:
    pass


@dataclass(frozen=True, slots=True)
class Yes:
    """The word that confirms what was asked; where ``plain``, START for who had stopped too."""

    plain: bool = True


@dataclass(frozen=True, slots=True)
class No:
    """What was recorded or asked last is wrong, and perhaps what is right.

    ``fields`` and ``day`` as in a :class:`Cut`; empty and None where nothing was put right.
    """

    fields: tuple[str, ...] = ()
    day: date | None = None
    declines: bool = False  # 'no thanks': what was asked, not what was recorded


@dataclass(frozen=True, slots=True)
class Thanks:
    """Nothing that wants an answer."""


@dataclass(frozen=True, slots=True)
class Link:
    pass


@dataclass(frozen=True, slots=True)
class Cut:
    fields: tuple[str, ...]  # as they were named; empty: none was
    day: date  # may lie in the future, which a cut cannot
    all: bool = False
    sure: bool = True  # False: to be asked about, since more was said than is understood


@dataclass(frozen=True, slots=True)
class When:
    name: str = ""  # of a field or farm


@dataclass(frozen=True, slots=True)
class Why:
    name: str = ""


@dataclass(frozen=True, slots=True)
class Wait:
    days: int | None  # None: not said
    asked: bool = False  # what it would cost; nothing is to be held


@dataclass(frozen=True, slots=True)
class Spot:
    height_in: float  # as said, in inches
    stage: str = ""  # "vegetative", "bud" or "flower"; "" = not said


@dataclass(frozen=True, slots=True)
class Reading:
    name: str  # of the field; "" = not said
    spots: tuple[Spot, ...]
    day: date


@dataclass(frozen=True, slots=True)
class Unclear:
    """Nothing is done.

    ``reason``: "day", a date there is not; "which_day", none or several were meant; "denied" or
    "planned", a cut not made; "stop", perhaps a wish to be left alone; "wait", perhaps one to wait;
    "undo", a cut put right in more words than are understood; "stems"; "lab"; else "".
    """

    reason: str = ""
    said: str = ""


Command = (
    Stop | Start | Help | Yes | No | Thanks | Link | Cut | When | Why | Wait | Reading | Unclear
)
