from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from alerts.intake.base import RawDocument, Source
from alerts.intake.folder import Folder


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    (tmp_path / "kestrel").mkdir()
    for name in ("b.csv", "a.csv", "kestrel/c.csv"):
        (tmp_path / name).write_text(f"content of {name}")
    return tmp_path


def names(documents: Iterator[RawDocument]) -> list[tuple[str, str]]:
    return [(document.lab, document.name) for document in documents]


def test_waiting_gives_files_by_name_and_the_laboratory_of_a_sub_folder(inbox: Path) -> None:
    source: Source = Folder(inbox)
    documents = list(source.waiting())
    assert names(iter(documents)) == [("", "a.csv"), ("", "b.csv"), ("kestrel", "c.csv")]
    assert documents[2] == RawDocument("c.csv", b"content of kestrel/c.csv", "folder", "kestrel")


def test_waiting_leaves_unfinished_and_hidden_files(inbox: Path) -> None:
    for name in (".a.csv", "d.csv.part", "e.TMP", "kestrel/.f.csv", "kestrel/g.csv.part"):
        (inbox / name).write_text("half a file")
    (inbox / ".hidden").mkdir()
    (inbox / ".hidden" / "h.csv").write_text("hidden")
    assert names(Folder(inbox).waiting()) == [("", "a.csv"), ("", "b.csv"), ("kestrel", "c.csv")]


def test_done_and_refused_move_the_file_out_of_the_way(inbox: Path) -> None:
    folder = Folder(inbox)
    first, second, third = folder.waiting()
    folder.done(first)
    folder.refused(second)
    folder.done(third)
    assert list(folder.waiting()) == []
    assert (inbox / "done" / "a.csv").read_text() == "content of a.csv"
    assert (inbox / "refused" / "b.csv").read_text() == "content of b.csv"
    assert (inbox / "done" / "kestrel" / "c.csv").read_text() == "content of kestrel/c.csv"


def test_done_never_replaces_an_earlier_file(inbox: Path) -> None:
    folder = Folder(inbox)
    for content in ("first", "second", "third"):
        (inbox / "a.csv").write_text(content)
        folder.done(next(folder.waiting()))
    assert {path.name: path.read_text() for path in (inbox / "done").iterdir()} == {
        "a.csv": "first",
        "a-2.csv": "second",
        "a-3.csv": "third",
    }


def test_done_leaves_a_file_that_has_grown_since_it_was_read(inbox: Path) -> None:
    folder = Folder(inbox)
    document = next(folder.waiting())
    with (inbox / "a.csv").open("a") as file:
        file.write(" and more")
    folder.done(document)
    assert next(folder.waiting()).content == b"content of a.csv and more"


def test_done_that_cannot_move_raises_and_leaves_the_file(inbox: Path) -> None:
    folder = Folder(inbox)
    document = next(folder.waiting())
    (inbox / "done").write_text("a file where the folder should be")
    with pytest.raises(OSError):
        folder.done(document)
    assert (inbox / "a.csv").exists()


def test_done_for_a_file_somebody_took_away_raises(inbox: Path) -> None:
    folder = Folder(inbox)
    document = next(folder.waiting())
    (inbox / "a.csv").unlink()
    with pytest.raises(FileNotFoundError):
        folder.done(document)


def test_waiting_skips_a_file_taken_away_meanwhile(inbox: Path) -> None:
    waiting = Folder(inbox).waiting()
    next(waiting)
    (inbox / "b.csv").unlink()
    assert names(waiting) == [("kestrel", "c.csv")]


def test_waiting_in_a_folder_that_is_not_there_raises(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        list(Folder(tmp_path / "nowhere").waiting())


def test_file_larger_than_the_limit_is_put_aside_unread_and_the_others_are_given(
    inbox: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (inbox / "kestrel" / "c.csv").write_bytes(b"x" * 100)
    (inbox / "b.csv").write_bytes(b"x" * 101)
    documents = list(Folder(inbox, max_bytes=100).waiting())
    assert names(iter(documents)) == [("", "a.csv"), ("kestrel", "c.csv")]
    assert (inbox / "refused" / "b.csv").stat().st_size == 101
    assert "b.csv is larger than CUTCALL_INTAKE_MAX_MIB allows" in caplog.text
