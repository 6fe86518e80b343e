from __future__ import annotations

from pathlib import Path

import pytest

from alerts.domain.errors import ConfigurationError
from alerts.messages.words import placeholders, read_words


def write(folder: Path, content: str) -> Path:
    path = folder / "words.toml"
    path.write_text(content, encoding="utf-8")
    return path


def test_words_are_read_by_table_and_entry_and_lists_by_place(tmp_path: Path) -> None:
    path = write(tmp_path, 'top = "x"\n[a]\nb = "{c}"\nd = ["e", "f"]\n[a.g]\nh = "i"\n')
    assert read_words(path) == {"top": "x", "a.b": "{c}", "a.d.0": "e", "a.d.1": "f", "a.g.h": "i"}


def test_entry_more_than_needed_is_let_be(tmp_path: Path) -> None:
    path = write(tmp_path, 'a = "x {y}"\nextra = "{z}"\n')
    assert read_words(path, like={"a": "{y}"}) == {"a": "x {y}", "extra": "{z}"}


def test_phrase_may_leave_a_value_out(tmp_path: Path) -> None:
    assert read_words(write(tmp_path, 'a = "x"\n'), like={"a": "{y}"}) == {"a": "x"}


def test_missing_entry_is_shown_in_english(tmp_path: Path) -> None:
    with pytest.raises(
        ConfigurationError, match=r"words\.toml: b is missing; .*: 'today, \{day\}'"
    ):
        read_words(write(tmp_path, 'a = "x"\n'), like={"a": "x", "b": "today, {day}"})


@pytest.mark.parametrize("content", ['a = "{b.c}"', 'a = "{b[0]}"', 'a = "{0}"'])
def test_placeholder_that_reaches_into_a_value_is_refused(content: str, tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="no value is called"):
        read_words(write(tmp_path, content), like={"a": "{b}"})


def test_placeholders_are_found_and_doubled_brackets_are_none() -> None:
    assert placeholders("{day} of {month}, {{so}}") == {"day", "month"}
    assert placeholders("plain") == set()


@pytest.mark.parametrize("phrase", ["{day", "day}", "{day:>3}", "{day!r}", "{day:{width}}"])
def test_placeholder_that_is_no_plain_name_is_an_error(phrase: str) -> None:
    with pytest.raises(ValueError, match=r"brackets|[{}]"):
        placeholders(phrase)
