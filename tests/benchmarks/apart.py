"""Work done in a process of its own, so that its peak of memory is its own too."""

from __future__ import annotations

import resource
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from typing import Generic, ParamSpec, TypeVar

T = TypeVar("T")
P = ParamSpec("P")


@dataclass(frozen=True, slots=True)
class Done(Generic[T]):
    value: T
    peak_mib: float  # resident memory of the process at its highest, libraries and all


def in_child(work: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> Done[T]:
    """What ``work`` gives, done by a new process; a function of a module and plain arguments."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(_do, work, args, kwargs).result()


def _do(work: Callable[..., T], args: tuple[object, ...], kwargs: dict[str, object]) -> Done[T]:
    value = work(*args, **kwargs)
    return Done(value, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
