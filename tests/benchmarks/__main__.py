"""`python -m tests.benchmarks [NAME ...] [--json]`: ours beside its yardstick, in the same run.

Ends with 1 where a ratio does not hold. Each benchmark checks its result before it counts.
"""

from __future__ import annotations

import logging
import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

# Benchmarks use the builders of the tests, which are modules of their own.
sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.catalog import BENCHMARKS
from benchmarks.rows import Size, as_json, as_table

CONSOLE = Console(width=150, soft_wrap=True)


def main(
    names: Annotated[
        list[str] | None, typer.Argument(help="benchmarks; none: all but large-pass")
    ] = None,
    as_rows: Annotated[bool, typer.Option("--json", help="print JSON instead of a table")] = False,
    short: Annotated[bool, typer.Option(help="the short run of the tests")] = False,
) -> None:
    """Measure the service beside what a plain program needs for the same work."""
    unknown = sorted(set(names or ()) - set(BENCHMARKS))
    if unknown:
        CONSOLE.print(f"no benchmark named {', '.join(unknown)}; there are {', '.join(BENCHMARKS)}")
        raise typer.Exit(2)
    logging.disable(logging.WARNING)
    rows = []
    for name in names or (one.name for one in BENCHMARKS.values() if not one.by_name):
        for row in BENCHMARKS[name].run(Size.SHORT if short else Size.FULL):
            rows.append(row)
            if not as_rows:
                CONSOLE.print(f"{row.name}: {row.case}: ratio {row.ratio:.3g}", highlight=False)
    if as_rows:
        sys.stdout.write(as_json(rows) + "\n")
    else:
        CONSOLE.print(as_table(rows))
    raise typer.Exit(0 if all(row.holds for row in rows) else 1)


if __name__ == "__main__":
    typer.run(main)
