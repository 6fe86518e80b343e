"""All benchmarks there are, by name."""

from __future__ import annotations

from benchmarks import intake, start
from benchmarks.rows import Benchmark

BENCHMARKS: dict[str, Benchmark] = {
    benchmark.name: benchmark for module in (intake, start) for benchmark in module.BENCHMARKS
}
