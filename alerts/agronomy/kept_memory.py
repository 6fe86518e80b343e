"""Memory that large arrays gave back, kept for the next ones."""

from __future__ import annotations

from functools import cache

import numpy as np

LARGE_BLOCK = 31 << 20
"""Bytes; the GNU C library lets its threshold follow blocks of up to 32 MiB."""


@cache
def keep_freed_memory() -> None:
    """Let this process keep up to twice ``LARGE_BLOCK`` of memory that it freed; once is enough.

    The GNU C library gives memory back to the system as soon as more lies idle than twice the
    largest block that was ever freed, and then has to take it again page by page, which costs a
    sixth of the time of fitting many areas (mallopt(3), M_MMAP_THRESHOLD: it is dynamic). So one
    large block is freed here, untouched. Where another library serves, nothing happens.
    """
    np.empty(LARGE_BLOCK, dtype=np.uint8)
