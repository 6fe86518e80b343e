"""Addresses and links as an operator may see them: too little to write to, or to open a page."""

from __future__ import annotations

import re

HIDDEN = "\N{HORIZONTAL ELLIPSIS}"

_LINK = re.compile(r"(https?://[^\s/]+(?:/[a-z]+)*/)[^\s\"'<>]*[\w-]{16,}[^\s\"'<>]*")
"""An address with a signed part, which opens somebody's page."""


def masked(address: str) -> str:
    """The last two digits of a phone number; an email's domain and the letters before it.

    Examples
    --------
    >>> masked("+12025550143"), masked("ida@example.org"), masked("")
    ('…43', '…da@example.org', '')
    """
    if not address:
        return ""
    name, at, domain = address.partition("@")
    shown = name[-2:] if len(name) > 2 else ""
    return f"{HIDDEN}{shown}{at}{domain}"


def without_address(text: str, address: str) -> str:
    """What a gateway said, with the address it repeats left out."""
    for written in (address, address.removeprefix("+")):
        text = text.replace(written, HIDDEN) if written else text
    return text


def without_keys(text: str) -> str:
    """Words of a message with the signed part of its links left out.

    Examples
    --------
    >>> without_keys("Your page: https://cutcall.example.org/farm/12.YRamWLHQdXL1XftKlT95 .")
    'Your page: https://cutcall.example.org/farm/… .'
    """
    return _LINK.sub(rf"\g<1>{HIDDEN}", text)
