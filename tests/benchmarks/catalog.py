"""All benchmarks there are, by name."""

from __future__ import annotations

from benchmarks import page, send, start
from benchmarks.rows import Benchmark

BENCHMARKS: dict[str, Benchmark] = {
    benchmark.name: benchmark for module in (page, send, start) for benchmark in module.BENCHMARKS
}
