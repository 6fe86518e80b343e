"""All benchmarks there are, by name."""

from __future__ import annotations

from benchmarks import intake, model, start
from benchmarks.rows import Benchmark

MODULES = (intake, model, start)

BENCHMARKS: dict[str, Benchmark] = {
    benchmark.name: benchmark for module in MODULES for benchmark in module.BENCHMARKS
}
