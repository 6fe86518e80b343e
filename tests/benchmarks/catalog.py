"""All benchmarks there are, by name."""

from __future__ import annotations

from benchmarks import (
    intake,
    model,
    morning_pass,
    one_result,
    page,
    send,
    start,
    two_workers,
)
from benchmarks.rows import Benchmark

MODULES = (model, morning_pass, one_result, send, intake, page, start, two_workers)

BENCHMARKS: dict[str, Benchmark] = {
    benchmark.name: benchmark for module in MODULES for benchmark in module.BENCHMARKS
}
