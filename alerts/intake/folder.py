"""A watched folder: files in, put aside when they are read."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import suppress
from itertools import count
from pathlib import Path

from alerts.intake.base import RawDocument

log = logging.getLogger(__name__)

_DONE = "done"
_REFUSED = "refused"
_UNFINISHED = (".part", ".tmp")  # names under which a file is still being written


class Folder:
    """Files of `inbox`, and of its sub-folders, whose names say the laboratory.

    A file that is read goes to `inbox/done`, one that cannot be read to `inbox/refused`, under a
    name that never replaces another. Whoever writes a file does so under a name that ends in
    .part or .tmp, or starts with a dot, and renames it when it is whole. A file of more than
    `max_bytes` goes to `inbox/refused` unread, with a word in the log.
    """

    def __init__(self, inbox: Path, max_bytes: int | None = None) -> None:
        self._inbox = inbox
        self._max_bytes = max_bytes

    def waiting(self) -> Iterator[RawDocument]:
        """Give the files by name, those of sub-folders last.

        OSError: the folder or a file cannot be read; raised only behind all that can.
        """
        failure: OSError | None = None
        for lab, path in self._files():
            try:
                if self._is_too_large(path):
                    self._refuse_unread(lab, path)
                    continue
                content = path.read_bytes()
            except FileNotFoundError:
                continue  # taken away since it was listed
            except OSError as fault:
                failure = failure or fault
                continue
            yield RawDocument(path.name, content, "folder", lab)
        if failure:
            raise failure

    def done(self, document: RawDocument) -> None:
        """Move the file of a document to done/. OSError: it could not be moved and stays."""
        self._put_aside(document, _DONE)

    def refused(self, document: RawDocument) -> None:
        """Move the file of a document to refused/. OSError: it could not be moved and stays."""
        self._put_aside(document, _REFUSED)

    def _files(self) -> Iterator[tuple[str, Path]]:
        for path in _visible(self._inbox):
            if path.is_file():
                yield "", path
        for folder in _visible(self._inbox):
            if folder.is_dir() and folder.name not in (_DONE, _REFUSED):
                yield from ((folder.name, path) for path in _visible(folder) if path.is_file())

    def _put_aside(self, document: RawDocument, where: str) -> None:
        path = self._inbox / document.lab / document.name
        if path.stat().st_size != len(document.content):
            return  # it has grown since it was read: let it wait and be read whole
        self._move(path, document.lab, where)

    def _is_too_large(self, path: Path) -> bool:
        return self._max_bytes is not None and path.stat().st_size > self._max_bytes

    def _refuse_unread(self, lab: str, path: Path) -> None:
        log.warning(
            "%s is larger than CUTCALL_INTAKE_MAX_MIB allows and was put aside unread; split it, "
            "or raise the setting and put it back",
            path.name,
        )
        self._move(path, lab, _REFUSED)

    def _move(self, path: Path, lab: str, where: str) -> None:
        folder = self._inbox / where / lab
        folder.mkdir(parents=True, exist_ok=True)
        place = _reserve(folder, path.name)
        try:
            path.replace(place)
        except OSError:
            with suppress(OSError):
                place.unlink()
            raise


def _visible(folder: Path) -> list[Path]:
    return sorted(
        path
        for path in folder.iterdir()
        if not path.name.startswith(".") and not path.name.lower().endswith(_UNFINISHED)
    )


def _reserve(folder: Path, name: str) -> Path:
    """Create an empty file under the first free name, so that nobody else takes it."""
    stem, suffix = Path(name).stem, Path(name).suffix
    for number in count(1):
        place = folder / (name if number == 1 else f"{stem}-{number}{suffix}")
        with suppress(FileExistsError):
            place.touch(exist_ok=False)
            return place
    raise AssertionError("unreachable: the numbers do not end")
