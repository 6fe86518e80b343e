"""Somebody's name and addresses taken out of words and files that others wrote."""

from __future__ import annotations

import codecs
import html
import json
import re
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

REMOVED = "(removed)"

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


@dataclass(frozen=True, slots=True)
class Redaction:
    """What to take out: ``own`` wherever it stands, ``farms`` only where it can mean theirs."""

    own: re.Pattern[str]
    farms: re.Pattern[str]

    def holds(self, text: str) -> bool:
        return self.own.search(text) is not None

    def without(self, text: str, *, farms: bool = False) -> str:
        text = self.own.sub(REMOVED, text)
        return self.farms.sub(REMOVED, text) if farms else text

    def in_cells(self, cells: dict[str, Any]) -> dict[str, str]:
        """The cells of one row, which is theirs."""
        return {key: self.without(str(cell), farms=True) for key, cell in cells.items()}

    def in_file(self, content: bytes, lines: Collection[int]) -> bytes:
        """A file's lines that name them, and those of these numbers, without them.

        All other lines stay byte for byte, so that nobody else's rows are touched.
        """
        text, encoding = _decoded(content)
        if text.lstrip()[:1] in ("{", "["):
            whole = self.without(text, farms=bool(lines))
        else:
            whole = "".join(
                self.without(line, farms=True) if number in lines or self.holds(line) else line
                for number, line in enumerate(text.splitlines(keepends=True), start=1)
            )
        return content if whole == text else whole.encode(encoding)


def redaction(
    names: Iterable[str], phones: Iterable[str], emails: Iterable[str], farms: Iterable[str]
) -> Redaction:
    """Finds names however they are cased and spaced, and phones however they are written."""
    own = [*_spelled(names), *map(_digits, phones), *map(_words, emails)]
    return Redaction(_any_of(own), _any_of(_spelled(farms)))


def text_of(content: bytes) -> str:
    return _decoded(content)[0]


def _decoded(content: bytes) -> tuple[str, str]:
    """Text and an encoding that gives the same bytes back."""
    for mark, encoding in _MARKS:
        if content.startswith(mark):
            try:
                return content.decode(encoding), encoding
            except UnicodeDecodeError:
                break
    for encoding in ("utf-16-le", "utf-8") if b"\0" in content else ("utf-8",):
        try:
            return content.decode(encoding), encoding
        except UnicodeDecodeError:
            continue
    return content.decode("latin-1"), "latin-1"


def _words(name: str) -> str:
    parts = (re.escape(part) for part in name.split())
    return r"(?<!\w)" + r"\s+".join(parts) + r"(?!\w)" if name.strip() else ""


def _spelled(names: Iterable[str]) -> Iterator[str]:
    """Patterns of names as people, HTML and JSON write them."""
    for name in names:
        yield _words(name)
        if (in_html := _escaped(name)) != name:
            yield _words(in_html)
        if (in_json := json.dumps(name)[1:-1]) != name:
            yield _words(in_json)


def _escaped(name: str) -> str:
    """As the templates of emails escape it."""
    return html.escape(name, quote=False).replace("'", "&#39;").replace('"', "&#34;")


def _digits(phone: str) -> str:
    """+12025550143 as (202) 555-0143, 202.555.0143 and the like too."""
    digits = phone.removeprefix("+")
    national = digits.removeprefix("1") if len(digits) == 11 else digits
    spaced = r"[\s().\-/]*".join(national)
    return rf"(?<!\d)(?:\+?1[\s().\-/]*)?\(?{spaced}(?!\d)" if national.isdigit() else ""


def _any_of(patterns: Iterable[str]) -> re.Pattern[str]:
    filled = [pattern for pattern in patterns if pattern]
    return re.compile("|".join(filled) if filled else r"(?!)", re.IGNORECASE)
