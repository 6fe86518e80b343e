"""Fuzzers of what an operator edits: laboratory maps, guidelines, the schedule."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from fuzz.documents import LABS, RULES
from fuzz.material import CONFIG, TOKENS, changed_texts, documents, sample_texts
from fuzz.running import Fuzzer, Trial
from hypothesis import strategies as st

from alerts.configfiles import read_guidelines, read_schedule
from alerts.domain.errors import ConfigurationError, UnreadableDocument
from alerts.intake.base import RawDocument
from alerts.intake.labmap import load_lab_maps, parse_lab_map
from alerts.intake.parse import read_document

MAPS = sample_texts("labs/*.toml", CONFIG)
FORMS = (
    *("%d%d", "%d %d %m %Y", "%", "%Q", "%y-%m-%d", "%c", "%x", "%j %Y", "%G-%V-%u", "%Y-%m-%d%Z"),
    *("%Y-%m-%d %z %z", "%-d", "%E", "(%Y", "[%m", "%m.%d.%Y", "%Y%m%d", "%s", "%p", "%Y" * 400),
)
VALUES = (
    *("[1, 2]", "{}", "{ a = { b = 1 } }", "1979-05-27", "1979-13-45", "07:32:99", "+nan", "-inf"),
    *('"""', "'''", "[[x]]", "[x.y", "a.b.c = 1", "= 3", "\\u0000", '"\\ud800"', "true", "0b2"),
    *("[" * 3000, "{a=" * 3000, "9" * 5000, "1" * 300 + ".0", "'%d%d'", "[columns]", "key = 'k'"),
)
TOML_TOKENS = TOKENS | st.sampled_from(VALUES) | st.sampled_from(FORMS)


@st.composite
def maps(draw: st.DrawFn) -> str:
    """A map with a few changes, or with date forms of all kinds."""
    text = draw(changed_texts(MAPS, TOML_TOKENS))
    if draw(st.booleans()):
        forms = draw(st.lists(st.sampled_from(FORMS) | st.sampled_from(("%m/%d/%Y", "%d.%m.%Y")),
                              min_size=1, max_size=3))  # fmt: skip
        kept = [line for line in text.splitlines() if not line.startswith("date_formats")]
        text = "\n".join([f"date_formats = {forms!r}", *kept])
    return text


def check_map(text: str) -> None:
    """Refused in a sentence that names the file, or good for reading any laboratory's file."""
    try:
        lab_map = parse_lab_map("fuzz", text)
    except ConfigurationError as refusal:
        assert "fuzz.toml" in str(refusal)
        return
    for lab in LABS:
        try:
            read_document(RawDocument("results.csv", lab.encode(), "fuzz"), [lab_map], RULES)
        except UnreadableDocument:
            continue


def _file_fuzzer(name: str, samples: tuple[str, ...], read: Callable[[Path], object]) -> Fuzzer:
    """A fuzzer of a reader that is given a path."""

    @contextmanager
    def opened(folder: Path) -> Iterator[Trial[bytes]]:
        with tempfile.TemporaryDirectory(dir=folder) as own:
            path = Path(own) / "edited.toml"

            def check(content: bytes) -> None:
                path.write_bytes(content)
                try:
                    read(path)
                except ConfigurationError as refusal:
                    assert "edited" in str(refusal)

            yield Trial(contents, check)

    contents = documents(samples) | changed_texts(samples, TOML_TOKENS).map(
        lambda text: text.encode("utf-8", "surrogatepass")
    )
    return Fuzzer(name, opened)


@contextmanager
def _maps_opened(folder: Path) -> Iterator[Trial[str]]:
    yield Trial(maps(), check_map)


FUZZERS: tuple[Fuzzer, ...] = (
    Fuzzer("lab-map", _maps_opened),
    _file_fuzzer("lab-map-file", MAPS, lambda path: load_lab_maps(path.parent)),
    _file_fuzzer("guidelines", sample_texts("guidelines.toml", CONFIG), read_guidelines),
    _file_fuzzer("schedule", sample_texts("schedule.toml", CONFIG), read_schedule),
)
