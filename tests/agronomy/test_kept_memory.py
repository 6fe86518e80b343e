"""Freed memory stays with the process, by the page faults that the system counts."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

WORK = """
import resource
import numpy as np
from alerts.agronomy.kept_memory import keep_freed_memory
if {keep}:
    keep_freed_memory()
def work():
    parts = [np.ones(60_000) for _ in range(20)]
    return sum(part[-1] for part in parts)
work()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(50):
    work()
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


def faults(*, keep: bool) -> int:
    said = subprocess.run(
        [sys.executable, "-c", WORK.format(keep=keep)], check=True, capture_output=True, text=True
    )
    return int(said.stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library serves")
def test_memory_once_used_is_not_asked_for_again() -> None:
    given_back = faults(keep=False)
    if given_back < 1_000:
        pytest.skip("this system's library keeps it by itself")
    assert faults(keep=True) < given_back / 20
