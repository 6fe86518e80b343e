"""The interpreter's search for cycles of garbage, put off while many rows are at hand.

Rows are tuples of texts and numbers: there are no cycles among them, and what nobody holds is freed
at once. The search would go through all of them again and again as they pile up, which takes half
the time of a file of 100,000 rows, and a third of that of a look at many areas.
"""

from __future__ import annotations

import gc
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_lock = threading.Lock()
_holders = 0  # threads that want it put off; the search is one for the whole process


@contextmanager
def without_search_for_cycles() -> Iterator[None]:
    """Search again once the last of those who asked for it is done."""
    global _holders
    if not gc.isenabled() and not _holders:
        yield  # whoever turned it off for good
        return
    with _lock:
        _holders += 1
        gc.disable()
    try:
        yield
    finally:
        with _lock:
            _holders -= 1
            if not _holders:
                gc.enable()
