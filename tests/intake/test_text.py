from __future__ import annotations

import random

import pytest

from alerts.domain.errors import UnreadableDocument
from alerts.intake.text import decode, printable, shown

TEXT = "field,sampled_on,rfv\nKäferwiese,2031-05-12,180\n"


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1"]
)
def test_decode_in_each_encoding(encoding: str) -> None:
    assert decode("a.csv", TEXT.encode(encoding)) == TEXT


def test_decode_utf16_big_endian_with_its_mark() -> None:
    assert decode("a.csv", b"\xfe\xff" + TEXT.encode("utf-16-be")) == TEXT


def test_decode_bytes_windows_1252_does_not_define() -> None:
    assert decode("a.csv", b"field\nA\x81B\n") == "field\nA\x81B\n"


def test_decode_drops_an_old_end_of_file_mark() -> None:
    assert decode("a.csv", b"field\nA\n\x1a") == "field\nA\n"


@pytest.mark.parametrize("content", [b"", b"  \r\n \n", b"\xef\xbb\xbf", b"\xff\xfe"])
def test_decode_an_empty_document(content: bytes) -> None:
    with pytest.raises(UnreadableDocument, match=r"^a\.csv is empty"):
        decode("a.csv", content)


@pytest.mark.parametrize(
    ("start", "hint"),
    [
        (b"%PDF-1.7\n", "a PDF"),
        (b"PK\x03\x04\x14\x00", "save the sheet as CSV"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "save the sheet as CSV"),
        (b"\x1f\x8b\x08\x00", "unpack it first"),
        (b"\x89PNG\r\n\x1a\n", "a picture"),
    ],
)
def test_decode_another_format_says_which(start: bytes, hint: str) -> None:
    with pytest.raises(UnreadableDocument, match=hint):
        decode("a.csv", start + b"rest")


@pytest.mark.parametrize(
    "content",
    [
        random.Random(7).randbytes(5000),
        b"field,rfv\nA,\x00\x00\x00\x00",
        bytes(range(1, 9)) * 20,
        b"\xff\xfe" + b"\x00\xd8" * 4,  # UTF-16 of lone surrogates
    ],
    ids=["random", "nuls", "control bytes", "broken utf-16"],
)
def test_decode_binary_data(content: bytes) -> None:
    with pytest.raises(UnreadableDocument, match=r"^a\.csv (holds binary data|is damaged)"):
        decode("a.csv", content)


def test_printable_takes_control_characters_and_needless_blanks_out() -> None:
    assert printable(" North\x07\t40 \r\n east ") == "North 40 east"


def test_shown_cuts_a_long_cell_short() -> None:
    assert shown("x" * 1_000_000) == f"'{'x' * 40}...'"
