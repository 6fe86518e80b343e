"""From bytes to text: which encoding, and what is no text at all."""

from __future__ import annotations

import codecs
import re

from alerts.domain.errors import UnreadableDocument

_FOREIGN_FORMATS = (
    (b"%PDF", "a PDF: ask for the results as a CSV"),
    (b"PK\x03\x04", "a spreadsheet workbook or zip archive: save the sheet as CSV"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet workbook: save the sheet as CSV"),
    (b"\x1f\x8b", "a compressed file: unpack it first"),
    (b"\x89PNG", "a picture: ask for the results as a CSV"),
    (b"\xff\xd8\xff", "a picture: ask for the results as a CSV"),
)
_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0e-\x1f\x7f]")
_MOST_CONTROL = 0.02  # text has next to none; random bytes have about a tenth
_EVIDENT = 0.4  # Western text in UTF-16 has a NUL in nearly every second byte
_LOOKED_AT = 4096
_END_OF_FILE = "\x1a"  # some old programs close a text file with it


def decode(name: str, content: bytes) -> str:
    """Turn the bytes of a document into text.

    UTF-8 and UTF-16 with a byte order mark, UTF-16 without one where it is evident, UTF-8, and
    failing these Windows-1252 or Latin-1, in which nearly any text can be read.

    Raises UnreadableDocument for an empty document, a format that is no text, and binary data.
    """
    _refuse_foreign(name, content)
    text = _decoded(name, content).rstrip(_END_OF_FILE)
    if not text.strip():
        raise UnreadableDocument(
            f"{name} is empty: export it again and check that it holds a header and rows."
        )
    _refuse_binary(name, text)
    return text


def _refuse_foreign(name: str, content: bytes) -> None:
    for start, hint in _FOREIGN_FORMATS:
        if content.startswith(start):
            raise UnreadableDocument(f"{name} is not a CSV but {hint}.")


def _decoded(name: str, content: bytes) -> str:
    for mark, encoding in _BYTE_ORDER_MARKS:
        if content.startswith(mark):
            return _strictly(name, content, encoding)
    if b"\x00" in content:
        return _strictly(name, content, _unmarked_utf16(content))
    for encoding in ("utf-8", "cp1252"):
        try:
            return content.decode(encoding)
        except UnicodeDecodeError:
            continue
    return content.decode("latin-1")


def _strictly(name: str, content: bytes, encoding: str) -> str:
    try:
        return content.decode(encoding)
    except UnicodeDecodeError:
        raise UnreadableDocument(
            f"{name} is damaged, its bytes are no valid {encoding.upper()}: export it again as CSV."
        ) from None


def _unmarked_utf16(content: bytes) -> str:
    """Guess the byte order from the side the NULs are on; plain UTF-8 when neither stands out."""
    start = content[:_LOOKED_AT]
    even, odd = (start[side::2].count(0) / max(1, len(start) // 2) for side in (0, 1))
    if odd > _EVIDENT > even:
        return "utf-16-le"
    if even > _EVIDENT > odd:
        return "utf-16-be"
    return "utf-8"  # keeps the NULs, by which the text is then refused


def _refuse_binary(name: str, text: str) -> None:
    start = text[:_LOOKED_AT]
    controls = len(_CONTROL.findall(start))
    if "\x00" in text or controls > _MOST_CONTROL * len(start):
        raise UnreadableDocument(f"{name} holds binary data, not text: save the sheet as CSV.")


def printable(cell: str) -> str:
    """Give a cell without control characters and without needless blanks."""
    if not cell.isprintable():
        cell = _CONTROL.sub(" ", cell)
    return " ".join(cell.split())


def shown(cell: str, most: int = 40) -> str:
    """Give a cell in quotation marks, cut short, as an error quotes it."""
    whole = printable(cell)
    return f"'{whole[:most]}...'" if len(whole) > most else f"'{whole}'"
