"""All benchmarks there are, by name."""

from __future__ import annotations

from benchmarks import morning_pass, one_result, start
from benchmarks.rows import Benchmark

MODULES = (morning_pass, one_result, start)

BENCHMARKS: dict[str, Benchmark] = {
    benchmark.name: benchmark for module in MODULES for benchmark in module.BENCHMARKS
}
