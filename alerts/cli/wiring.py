"""The service's parts for one command, and what most commands begin with."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from alerts.cli.printing import failure
from alerts.domain.errors import ConfigurationError

if TYPE_CHECKING:
    from alerts.bootstrap import Parts
    from alerts.settings import Settings


@contextmanager
def open_parts() -> Iterator[Parts]:
    """The service's parts for one command."""
    import asyncio

    from alerts.bootstrap import build_parts
    from alerts.settings import read_settings

    settings = read_settings()
    parts = build_parts(settings)
    try:
        yield parts
    finally:
        asyncio.run(parts.aclose())


def make_inbox(settings: Settings) -> None:
    try:
        settings.inbox_dir.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ConfigurationError(
            f"CUTCALL_INBOX_DIR: cannot make the folder {settings.inbox_dir} "
            f"({error.strerror or error}); give one that this user may write to"
        ) from error


def read_file(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise failure(f"cannot read {path}: {error.strerror or error}") from error
