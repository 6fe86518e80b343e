"""From the body of an HTTP post to a document like any other."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from typing import cast

from alerts.domain.errors import UnreadableDocument
from alerts.intake.base import RawDocument
from alerts.intake.text import printable, shown

_SOURCE = "http"
_EXPECTED = 'expected {"lab": "...", "results": [{"field": "...", "sampled_on": "...", ...}]}'


def read_body(name: str, content_type: str, body: bytes, lab: str = "") -> RawDocument:
    """Make a document of a post.

    A text/csv body is the document as it is. An application/json body holds `results`, a list of
    objects with the headers of the plain format as keys, and may name its `lab`; it becomes a
    plain CSV in which result number n stands in row n + 1.

    Raises UnreadableDocument for any other type and for JSON that is not of this form.
    """
    kind = content_type.partition(";")[0].strip().lower()
    if kind in {"text/csv", "text/plain"}:
        return RawDocument(name, body, _SOURCE, _writable(lab))
    if kind == "application/json":
        document = _from_json(name, body, lab)
        return replace(document, lab=_writable(document.lab))
    raise UnreadableDocument(f"{name} came as {shown(kind)}: send text/csv or application/json.")


def _from_json(name: str, body: bytes, lab: str) -> RawDocument:
    whole = _parsed(name, body)
    said_lab = whole.get("lab", "")
    rows = whole.get("results")
    if not isinstance(said_lab, str):
        raise UnreadableDocument(f"{name}: 'lab' must be a text; {_EXPECTED}.")
    if not isinstance(rows, list) or not rows:
        raise UnreadableDocument(f"{name} holds no results; {_EXPECTED}.")
    content = _plain_csv([_row(name, number, row) for number, row in enumerate(rows, start=1)])
    return RawDocument(name, content, _SOURCE, lab or said_lab)


def _parsed(name: str, body: bytes) -> dict[str, object]:
    try:
        whole = json.loads(body)
    except (ValueError, RecursionError) as fault:
        raise UnreadableDocument(f"{name} is not valid JSON ({fault}); {_EXPECTED}.") from None
    if not isinstance(whole, dict):
        raise UnreadableDocument(f"{name} is JSON of another form; {_EXPECTED}.")
    return cast("dict[str, object]", whole)


def _row(name: str, number: int, row: object) -> dict[str, str]:
    if not isinstance(row, dict):
        raise UnreadableDocument(f"{name}: result {number} is not an object; {_EXPECTED}.")
    for key, value in row.items():
        if isinstance(value, dict | list):
            where = f"{shown(_writable(key))} of result {number}"
            raise UnreadableDocument(f"{name}: {where} is not a single value; {_EXPECTED}.")
    cells = {key: _cell(value) for key, value in row.items()}
    if not any(cells.values()):
        raise UnreadableDocument(f"{name}: result {number} is empty: remove it or fill it in.")
    return cells


def _writable(text: str) -> str:
    """The text without NULs and halves of characters, which no table holds."""
    return printable(text).encode("utf-8", errors="replace").decode()


def _cell(value: object) -> str:
    return "" if value is None else printable(str(value))


def _plain_csv(rows: list[dict[str, str]]) -> bytes:
    """Write the rows under the keys of all of them, in the order in which these turn up."""
    keys = list(dict.fromkeys(key for row in rows for key in row))
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(map(printable, keys))
    writer.writerows([row.get(key, "") for key in keys] for row in rows)
    return text.getvalue().encode("utf-8", errors="replace")
