"""Which piece of work is being done: ids that every line of the log carries along.

They follow the work into threads and coroutines it starts, and end with the block that set them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from types import MappingProxyType

_NONE: Mapping[str, str] = MappingProxyType({})
_IDS: ContextVar[Mapping[str, str]] = ContextVar("ids", default=_NONE)


@contextmanager
def about(**ids: object) -> Iterator[None]:
    """What is done inside is about these, beside what it was about already.

    Names in use: ``job`` and ``run``, ``request``, ``area_id``, ``document_id``, ``message_id``,
    ``text_id``.
    """
    token = _IDS.set({**_IDS.get(), **{name: str(one) for name, one in ids.items()}})
    try:
        yield
    finally:
        _IDS.reset(token)


def put(**ids: object) -> None:
    """The same for all that is left of this thread's or task's work."""
    _IDS.set({**_IDS.get(), **{name: str(one) for name, one in ids.items()}})


def ids() -> Mapping[str, str]:
    """The ids of the work under way, in the order in which they were set."""
    return _IDS.get()
