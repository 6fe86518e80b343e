"""What fuzzers are fed with: odd characters, numbers and encodings, and valid samples made wrong.

Mostly samples with a few changes, since random bytes seldom get past the first question a parser
asks.
"""

from __future__ import annotations

import codecs
import csv
import io
import json
from collections.abc import Mapping, Sequence
from pathlib import Path

from hypothesis import strategies as st
from hypothesis.strategies import DrawFn, SearchStrategy

ROOT = Path(__file__).parents[2]
DATA = ROOT / "tests" / "data"
CONFIG = ROOT / "config"

MARKUP = "<i id=fuzz>"
"""Must never come back on a page as it is."""

NUMBERS = (
    *("0", "-0", "1", "-1", "0.0", "00", "1e999", "-1e999", "1e-999", "nan", "inf", "-Infinity"),
    *("1_000", "1,5", "1.5.5", ".", "+", "0x10", "²", "٣", "１２", "½", "Ⅷ", "9" * 400, "9" * 5000),
    *("2147483647", "2147483648", "9223372036854775808", "-9223372036854775809", "1" + "0" * 308),
)
DAYS = (
    *("0000-00-00", "0001-01-01", "9999-12-31", "2031-02-30", "2031-05-12", "12/31/9999"),
    *("01/01/0001", "2031-13-01", "2031-W20-1", "20310512", "0001-01-01T00:00:00+23:59"),
    *("9999-12-31T23:59:59-23:59", "2031-05-12T25:00", "P1D", "P999999999D", "-P1Y", "PT1H"),
    *("2031-05-12T07:10:00.123456789Z", "2031-05-12T07:10+24:00", "29-Feb-2031", "May 12 2031"),
)
ODD = (
    *("", " ", "\t", "\x00", "\x0b", "\x0c", "\x1a", "\x1c", "\x7f", "\x85", "\xa0", "\u2028"),
    *("\u200b", "\u202e", "\ufeff", "\ufffe", "\ud800", "\udfff", "\U0001f33e", "\U0010ffff"),
    *("e\u0301", "İ", "ß", "ﬁ", "K", "ſ", "ñ", "я", "漢", "'", '"', '""', '"""', "''", "`"),
    *("%", "%s", "%n", "%d", "%%", "{}", "{0}", "{{", "$", "\\", "\\u0000", "\\ud800", "&", MARKUP),
    *("../", "/", "//", "#", "?", ";", ",", "=", "=1+1", "@x", "\r", "\n", "\r\n", "[", "]", "("),
    *("true", "null", "None", "NaN", "__class__", "constructor"),
)
LONG = ("x" * 600, "x" * 5000, "漢" * 3000, "," * 3000, '"' * 1001, "[" * 3000, "\n" * 3000)
"""A cell past the bound, and past that of the CSV reader where they are put together."""

WORDS = st.sampled_from((*NUMBERS, *DAYS, *ODD, *LONG))
ANY_TEXT = st.text(st.characters(), max_size=20)  # surrogates too
TOKENS = WORDS | ANY_TEXT
SCALARS: SearchStrategy[object] = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.integers(-(10**60), 10**60)
    | TOKENS
)
JSON: SearchStrategy[object] = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TOKENS, inner, max_size=4)
)
ENCODINGS = ("utf-8", "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252",
             "latin-1", "cp037", "utf-7")  # fmt: skip
MARKS = (codecs.BOM_UTF8, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE, codecs.BOM_UTF32_LE, b"")


def whole(text: str) -> str:
    """The text without halves of characters, which headers and addresses cannot carry."""
    return text.encode("utf-8", "replace").decode()


def sample_texts(pattern: str, under: Path = DATA) -> tuple[str, ...]:
    """The files that fit, as text."""
    found = sorted(under.glob(pattern))
    assert found, f"{pattern} fits nothing below {under}"
    return tuple(path.read_bytes().decode("utf-8", "replace") for path in found)


@st.composite
def changed_texts(
    draw: DrawFn, samples: Sequence[str], tokens: SearchStrategy[str] = TOKENS
) -> str:
    """A sample with parts taken out, put in twice, exchanged or replaced by something odd."""
    text = draw(st.sampled_from(samples))
    for _ in range(draw(st.integers(0, 4))):
        start = draw(st.integers(0, len(text)))
        end = min(len(text), start + draw(st.sampled_from((0, 0, 1, 1, 2, 5, 20, 200))))
        part = text[start:end]
        put = draw(st.one_of(st.just(""), st.just(part * 2), st.just(part[::-1]), tokens))
        text = text[:start] + put + text[end:]
    return text


@st.composite
def encoded(draw: DrawFn, texts: SearchStrategy[str]) -> bytes:
    """A text as a program on some machine writes it; a few bytes may be wrong."""
    text = draw(texts)
    encoding = draw(st.sampled_from(ENCODINGS))
    try:
        content = text.encode(encoding)
    except UnicodeEncodeError:
        content = text.encode("utf-8", "surrogatepass")
    if draw(st.integers(0, 3)) == 0:
        place = draw(st.integers(0, len(content)))
        content = content[:place] + draw(st.binary(max_size=4)) + content[place:]
    if draw(st.integers(0, 5)) == 0:
        content = draw(st.sampled_from(MARKS)) + content
    return content


def documents(samples: Sequence[str]) -> SearchStrategy[bytes]:
    """Files: mostly a sample made wrong, now and then anything."""
    return encoded(changed_texts(samples)) | encoded(changed_texts(samples)) | st.binary()


@st.composite
def tables(draw: DrawFn, samples: Sequence[str]) -> str:
    """A sample CSV with other cells, columns or rows; stays a table."""
    text = draw(st.sampled_from(samples))
    delimiter = max(",;\t", key=text.count)
    rows = list(csv.reader(io.StringIO(text), delimiter=delimiter))
    wide = [row for row in rows if len(row) > 1]
    for _ in range(draw(st.integers(1, 6))):
        row = draw(st.sampled_from(wide))
        place = draw(st.integers(0, len(row) - 1))
        other = draw(st.sampled_from(wide))
        row[place] = draw(TOKENS | st.just(other[min(place, len(other) - 1)]))
    delimiter = draw(st.sampled_from((delimiter, delimiter, ",", ";", "\t")))
    out = io.StringIO(newline="")
    ends = draw(st.sampled_from(("\r\n", "\n", "\r")))
    writer = csv.writer(out, delimiter=delimiter, lineterminator=ends)
    writer.writerows(rows)
    return out.getvalue()


# --------------------------------------------------------------------------- trees


@st.composite
def changed_trees(
    draw: DrawFn, samples: Sequence[object], leaves: SearchStrategy[object]
) -> object:
    """JSON of a sample's form in which a few values are others, doubled, or not there."""
    tree = json.loads(json.dumps(draw(st.sampled_from(samples))))
    for _ in range(draw(st.integers(0, 4))):
        tree = _changed(draw, tree, leaves, 6)
    return tree


def _changed(draw: DrawFn, tree: object, leaves: SearchStrategy[object], depth: int) -> object:
    """Walk down to some place and change it."""
    if depth and isinstance(tree, dict) and tree and draw(st.integers(0, 5)):
        key = draw(st.sampled_from(sorted(tree)))
        kind = draw(st.integers(0, 11))
        if kind == 0:
            return {k: v for k, v in tree.items() if k != key}
        if kind == 1:
            return {**tree, draw(TOKENS): tree[key]}
        return {**tree, key: _changed(draw, tree[key], leaves, depth - 1)}
    if depth and isinstance(tree, list) and tree and draw(st.integers(0, 5)):
        place = draw(st.integers(0, len(tree) - 1))
        kind = draw(st.integers(0, 5))
        if kind == 0:
            return tree[:place] + tree[place + 1 :]
        if kind == 1:
            return [*tree, tree[place]]
        return [*tree[:place], _changed(draw, tree[place], leaves, depth - 1), *tree[place + 1 :]]
    return draw(leaves | JSON)


def written(tree: object) -> bytes:
    """JSON as a careless program writes it: NaN, Infinity and lone surrogates stand as they are."""
    return json.dumps(tree, ensure_ascii=True).encode()


def json_bodies(samples: Sequence[object], leaves: SearchStrategy[object]) -> SearchStrategy[bytes]:
    """Answers and posts in JSON."""
    trees = changed_trees(samples, leaves).map(written)
    deep = st.sampled_from((b"[" * 5000, b'{"a":' * 2500, b"[" * 500 + b"]" * 500, b"", b"null"))
    huge = st.sampled_from((b"9" * 5000, b'{"sid": ' + b"9" * 5000 + b"}"))
    texts = trees.map(lambda body: body.decode())
    return st.one_of(trees, trees, encoded(texts), deep, huge, st.binary())


def forms(
    samples: Sequence[Mapping[str, str]], values: SearchStrategy[str] = TOKENS
) -> SearchStrategy[list[tuple[str, str]]]:
    """Fields of a form: those of a sample, some changed, missing, doubled or not known."""

    @st.composite
    def form(draw: DrawFn) -> list[tuple[str, str]]:
        pairs = list(draw(st.sampled_from(samples)).items())
        for _ in range(draw(st.integers(0, 4))):
            name = draw(st.sampled_from([name for name, _ in pairs]) | TOKENS) if pairs else ""
            kind = draw(st.integers(0, 4))
            if kind == 0:
                pairs = [pair for pair in pairs if pair[0] != name]
            elif kind == 1:
                pairs.append((name, draw(values)))
            else:
                pairs = [(n, draw(values) if n == name else v) for n, v in pairs]
        return pairs

    return form()
