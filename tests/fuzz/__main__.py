"""`python -m tests.fuzz [NAME ...] --minutes 5`: fuzz for so long each, with fresh seeds.

Ends with 1 where a fuzzer found something, and shows the smallest example of it.
"""

from __future__ import annotations

import logging
import sys
import tempfile
import warnings
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

# Fuzzers use the builders and fakes of the tests, which are modules of their own.
sys.path.insert(0, str(Path(__file__).parents[1]))

from fuzz.catalog import FUZZERS
from fuzz.running import Figures, run_long

CONSOLE = Console(width=100, soft_wrap=True)


def main(
    names: Annotated[list[str] | None, typer.Argument(help="fuzzers to run; none: all")] = None,
    minutes: Annotated[float, typer.Option(min=0.01, help="how long each of them runs")] = 1.0,
) -> None:
    """Try parsers, pages and the API with what nobody should send."""
    unknown = sorted(set(names or ()) - set(FUZZERS))
    if unknown:
        CONSOLE.print(f"no fuzzer named {', '.join(unknown)}; there are {', '.join(FUZZERS)}")
        raise typer.Exit(2)
    logging.disable()
    warnings.simplefilter("ignore")
    found = [_run(name, minutes) for name in names or FUZZERS]
    _show(found)
    raise typer.Exit(1 if any(one.failures for one in found) else 0)


def _run(name: str, minutes: float) -> Figures:
    CONSOLE.print(f"{name} ...", end=" ")
    with tempfile.TemporaryDirectory() as folder:
        figures = run_long(FUZZERS[name], minutes * 60, Path(folder))
    CONSOLE.print(f"{figures.examples} examples, {len(figures.failures)} failures")
    return figures


def _show(found: list[Figures]) -> None:
    table = Table("fuzzer", "examples", "seconds", "failures")
    for one in found:
        table.add_row(one.name, f"{one.examples}", f"{one.seconds:.0f}", f"{len(one.failures)}")
    CONSOLE.print(table)
    for one in found:
        for failure in one.failures:
            CONSOLE.rule(one.name)
            CONSOLE.print(failure, markup=False, highlight=False)


if __name__ == "__main__":
    typer.run(main)
