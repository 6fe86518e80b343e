"""``python -m alerts.backtest``: the tables by which model and scale were chosen."""

from __future__ import annotations

import sys

import typer

from alerts.backtest.commands import backtest, calibrate, compare_scales, simulate
from alerts.domain.errors import ConfigurationError, CutcallError

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False, no_args_is_help=True)
for command in (backtest, simulate, calibrate, compare_scales):
    app.command()(command)

if __name__ == "__main__":
    try:
        app()
    except (ConfigurationError, CutcallError) as error:
        sys.stderr.write(f"{error}\n")
        sys.exit(2 if isinstance(error, ConfigurationError) else 1)
