"""How names of farms and fields are compared: case, spaces and punctuation do not count."""

from __future__ import annotations

import re
import unicodedata

_GAPS = re.compile(r"[\W_]+")


def name_key(name: str) -> str:
    """The form in which names are compared.

    Examples
    --------
    >>> name_key("  North-40 (Creek) ")
    'north 40 creek'
    """
    plain = unicodedata.normalize("NFKC", name).casefold()
    return _GAPS.sub(" ", plain).strip()
