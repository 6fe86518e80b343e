"""Fit a text into the 7-bit alphabet of mobile networks and count what it costs.

References
----------
1. 3GPP TS 23.038, "Alphabets and language-specific information": the GSM 7 bit default
   alphabet (6.2.1) and its extension table (6.2.1.1).
2. 3GPP TS 23.040, "Technical realization of the Short Message Service (SMS)": 140 octets a
   message, of which a concatenated part gives 6 to its header.
3. Unicode Inc., "GSM0338.TXT" (2000): the same alphabet as Unicode characters.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

ESCAPE = "\x1b"  # leads to the extension table; no character a person can write

# Position in the string = code of the character.
DEFAULT_ALPHABET = (
    "@£$¥èéùìòÇ\nØø\rÅå"
    "Δ_ΦΓΛΩΠΨΣΘΞ" + ESCAPE + "ÆæßÉ"
    " !\"#¤%&'()*+,-./"
    "0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNO"
    "PQRSTUVWXYZÄÖÑÜ§"
    "¿abcdefghijklmno"
    "pqrstuvwxyzäöñüà"
)
# Characters behind the escape and the code that follows it; each costs two septets.
EXTENSION_TABLE = {
    "\f": 0x0A,
    "^": 0x14,
    "{": 0x28,
    "}": 0x29,
    "\\": 0x2F,
    "[": 0x3C,
    "~": 0x3D,
    "]": 0x3E,
    "|": 0x40,
    "€": 0x65,
}
_WIDTHS = {c: 1 for c in DEFAULT_ALPHABET if c != ESCAPE} | dict.fromkeys(EXTENSION_TABLE, 2)

LOOK_ALIKES = {
    **dict.fromkeys("‘’‛´`′", "'"),
    **dict.fromkeys("“”„«»″", '"'),
    **dict.fromkeys("‐‑‒–—―−•", "-"),
    **dict.fromkeys("\t\x85\xa0\u2009\u202f\u2028\u2029", " "),
    **dict.fromkeys("\u200b\u2060\ufeff", ""),
    **dict.fromkeys("⁄∕÷", "/"),
    "‚": ",",
    "…": "...",
    "¼": "1/4",
    "½": "1/2",
    "¾": "3/4",
    "°": " deg",
    "≤": "<=",
    "≥": ">=",
    "±": "+/-",
    "×": "x",
    "→": "->",
    "≈": "~",
    "·": ".",
    "µ": "u",
    "²": "2",
    "³": "3",
    "¢": "c",
    "™": "(TM)",
    "®": "(R)",
    "©": "(C)",
    "ç": "c",
    "á": "a",
    "í": "i",
    "ó": "o",
    "ú": "u",
    "ı": "i",
    "ł": "l",
    "Ł": "L",
    "đ": "d",
    "Đ": "D",
    "œ": "oe",
    "Œ": "OE",
}
_UNPRINTED = {"Mn", "Me", "Cf"}  # Unicode categories of marks and joiners: no look of their own
_FRACTION_AFTER_DIGIT = re.compile(r"(?<=[0-9])(?=[¼-¾⅐-⅞])")
_SPACE_BEFORE_DEGREE = re.compile(r"[ \t\xa0\u2009\u202f]+°")


class Encoding(StrEnum):
    GSM_7 = "GSM-7"
    UCS_2 = "UCS-2"


# Units in a message that stands alone, and in each part of a longer one [2].
_ROOM = {Encoding.GSM_7: (160, 153), Encoding.UCS_2: (70, 67)}


@dataclass(frozen=True, slots=True)
class TextSize:
    """What a text costs: units are septets in GSM-7, 16-bit code units in UCS-2."""

    encoding: Encoding
    units: int
    parts: int


def clean(text: str) -> str:
    """Return the text written in GSM-7 only, as close to the original as that allows.

    Characters of the alphabet, é and ñ among them, stay. Look-alikes are exchanged, other
    accents dropped ('á' becomes 'a'), marks without a look of their own left out, and what has
    no likeness becomes '?'. "2½" is written "2 1/2", because "21/2" would be another number.
    Cleaning twice changes nothing more.
    """
    composed = unicodedata.normalize("NFC", text)
    spaced = _FRACTION_AFTER_DIGIT.sub(" ", _SPACE_BEFORE_DEGREE.sub("°", composed))
    return "".join(map(_fit, spaced))


def count(text: str) -> TextSize:
    """Return encoding, units and parts of a text as it stands.

    One character outside GSM-7 turns the whole text into UCS-2. Neither an escape pair nor a
    surrogate pair is split: one that would straddle two parts moves to the next, so the parts
    may be more than units divided by room. An empty text has no parts. Longer emoji sequences
    are cut between code points; counters disagree about them, so keep them out of texts.
    """
    if is_gsm7(text):
        encoding, widths = Encoding.GSM_7, list(map(_WIDTHS.__getitem__, text))
    else:
        encoding, widths = Encoding.UCS_2, [2 if ord(c) > 0xFFFF else 1 for c in text]
    alone, joined = _ROOM[encoding]
    units = sum(widths)
    parts = min(units, 1) if units <= alone else _parts(widths, joined)
    return TextSize(encoding, units, parts)


def is_gsm7(text: str) -> bool:
    """Return whether every character has a place in the alphabet or its extension table."""
    return _WIDTHS.keys() >= set(text)


def _parts(widths: Sequence[int], room: int) -> int:
    """Return the parts needed when whole characters are packed in order."""
    if max(widths) == 1:
        return -(-len(widths) // room)
    parts, used = 1, 0
    for width in widths:
        if used + width > room:
            parts, used = parts + 1, 0
        used += width
    return parts


@lru_cache(maxsize=4096)
def _fit(char: str) -> str:
    """Return one character as GSM-7: itself, its likeness, its bare letters, or '?'."""
    if char in _WIDTHS:
        return char
    if char in LOOK_ALIKES:
        return LOOK_ALIKES[char]
    category = unicodedata.category(char)
    if category in _UNPRINTED:
        return ""
    if category == "Zs":
        return " "
    bare = (c for c in unicodedata.normalize("NFKD", char) if not unicodedata.combining(c))
    plain = "".join(LOOK_ALIKES.get(c, c) for c in bare)
    return plain if plain and is_gsm7(plain) else "?"
