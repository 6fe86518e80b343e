"""Plain text of emails."""

from __future__ import annotations

import textwrap

TEXT_COLUMNS = 72
"""Plain text is broken at this width; RFC 5322 2.1.1 asks for at most 78 characters."""


def wrapped(text: str) -> str:
    """Plain text broken at 72 columns, the rest of an indented line further in; an
    address stays whole."""
    lines: list[str] = []
    for line in text.splitlines():
        inside = line.lstrip(" ")
        indent = line[: len(line) - len(inside)]
        lines += textwrap.wrap(
            inside,
            TEXT_COLUMNS,
            initial_indent=indent,
            subsequent_indent=f"{indent}  " if indent else "",
            break_long_words=False,
            break_on_hyphens=False,
        ) or [""]
    return "\n".join(lines) + "\n"
