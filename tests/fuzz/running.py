"""Running fuzzers: for minutes with fresh seeds, or a few examples that are always the same."""

from __future__ import annotations

import random
import signal
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import current_thread, main_thread
from types import FrameType
from typing import Generic, TypeVar

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.strategies import SearchStrategy

T = TypeVar("T")

MOST_CPU_S = 10.0
"""What one example may cost [s of processor time]; honest ones cost well under one."""

_WIDE = 2000  # characters of a line of a failure

ROUND_S = 10.0
"""About how long is fuzzed with one seed [s]."""

_QUIET = dict.fromkeys(HealthCheck)


class TooSlow(AssertionError):
    """An example that did not end in time."""


@dataclass(frozen=True, slots=True)
class Trial(Generic[T]):
    """Values to try, and what must hold for each of them: the check raises where it does not."""

    values: SearchStrategy[T]
    check: Callable[[T], None]


@dataclass(frozen=True, slots=True)
class Fuzzer:
    """``opened`` sets a trial up in an empty folder, and cleans up after it."""

    name: str
    opened: Callable[[Path], AbstractContextManager[Trial]]  # type: ignore[type-arg]
    examples: int = 100  # of the short version


@dataclass(frozen=True, slots=True)
class Figures:
    """What a long run came to."""

    name: str
    examples: int
    seconds: float
    failures: tuple[str, ...]  # each with its smallest example


def plain(name: str, values: SearchStrategy[T], check: Callable[[T], None], **how: int) -> Fuzzer:
    """A fuzzer of something that needs nothing around it."""

    @contextmanager
    def opened(folder: Path) -> Iterator[Trial[T]]:
        yield Trial(values, check)

    return Fuzzer(name, opened, **how)


def run_short(fuzzer: Fuzzer, folder: Path) -> None:
    """A few examples, the same every time; raises what the check raises."""
    with fuzzer.opened(folder) as trial:

        @settings(
            max_examples=fuzzer.examples,
            derandomize=True,
            database=None,
            deadline=None,
            suppress_health_check=list(_QUIET),
        )
        @given(trial.values)
        def once(value: object) -> None:
            _try(trial, value)

        once()


def run_long(fuzzer: Fuzzer, seconds: float, folder: Path) -> Figures:
    """Examples under fresh seeds until the time is over, or a round found a failure."""
    start, tried = time.monotonic(), 0
    failures: tuple[str, ...] = ()
    with fuzzer.opened(folder) as trial:
        began = time.monotonic()

        def counted(value: object) -> None:
            nonlocal tried
            tried += 1
            _try(trial, value)

        while not failures and (left := start + seconds - time.monotonic()) > 0:
            pace = tried / max(time.monotonic() - began, 1e-3) or 5.0
            most = max(5, min(20_000, int(pace * min(left, ROUND_S))))
            failures = _round(trial, counted, most)
    return Figures(fuzzer.name, tried, time.monotonic() - start, failures)


def _round(trial: Trial[T], check: Callable[[T], None], most: int) -> tuple[str, ...]:
    chosen = random.SystemRandom().getrandbits(64)

    @seed(chosen)
    @settings(
        max_examples=most,
        database=None,
        deadline=None,
        phases=[Phase.generate, Phase.shrink],
        print_blob=False,
        suppress_health_check=list(_QUIET),
    )
    @given(trial.values)
    def once(value: T) -> None:
        check(value)

    try:
        once()
    except BaseExceptionGroup as several:
        return tuple(_said(one) for one in several.exceptions)
    except Exception as error:
        return (_said(error),)
    return ()


def _try(trial: Trial[T], value: T) -> None:
    try:
        with bounded():
            trial.check(value)
    except Exception as error:
        # Hypothesis names the value, too, but not once another library has told it how.
        error.add_note(f"Example: {_shown(repr(value))}")
        raise


def _shown(text: str) -> str:
    return text if len(text) <= _WIDE else f"{text[:_WIDE]}... ({len(text)} characters)"


def _said(error: BaseException) -> str:
    """The smallest example, and the last lines of what it led to."""
    whole = "".join(traceback.format_exception(error, limit=-6)).strip()
    return whole.encode("utf-8", "backslashreplace").decode()


@contextmanager
def bounded(seconds: float = MOST_CPU_S) -> Iterator[None]:
    """TooSlow once the block has used so much processor time, be it within a regular expression.

    Has an effect in the main thread only, which alone hears signals.
    """
    if current_thread() is not main_thread():
        yield
        return

    def stop(number: int, frame: FrameType | None) -> None:
        raise TooSlow(f"took more than {seconds:g} s of processor time")

    before = signal.signal(signal.SIGVTALRM, stop)
    signal.setitimer(signal.ITIMER_VIRTUAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)
