"""What a person sees of the demo."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table

from alerts.demo.stage import ZONE
from alerts.loopback.gateway import StoredText
from alerts.loopback.mailbox import LoopbackMailbox

if TYPE_CHECKING:
    from alerts.demo.replay import Replay
    from alerts.demo.stage import FastClock


class Show:
    """What a person sees of the demo."""

    def __init__(self, console: Console, clock: FastClock) -> None:
        self._console = console
        self._clock = clock
        self._texts = 0

    def opening(self) -> None:
        self._console.print(
            "An invented spring in Linden Hollow: three laboratories and a sampler send results, "
            "Cutcall tells seven farms when to start cutting. Everything below went over HTTP or "
            "SMTP on this machine.\n"
        )

    def text(self, text: StoredText) -> None:
        """Called on the gateway's thread for each text it took."""
        self._texts += 1
        local = text.created_at.astimezone(ZONE)
        self._console.print(f"{local:%b %d %H:%M}  text to {text.to}", style="bold", markup=False)
        self._console.print(f"  {text.body}\n", markup=False)

    def day(self, day: date) -> None:
        if day.weekday() == 6:
            self._console.print(
                f"-- week to {day:%b %d} done, {self._texts} texts so far --\n", style="dim"
            )

    def closing(self, replay: Replay, mailbox: LoopbackMailbox, home: Path) -> None:
        table = Table(box=None, pad_edge=False, title="What was told, and what was true")
        for column in (
            "Field", "First told on", "Start told", "Truly crossed", "True latest start",
            "Error, days",
        ):  # fmt: skip
            table.add_column(column)
        errors = []
        for outcome in replay.outcomes.values():
            crossed, latest = replay.truth(outcome.field)
            error = (outcome.told - latest).days if outcome.told and latest else None
            errors += [] if error is None else [abs(error)]
            table.add_row(
                f"{outcome.field.farm}, {outcome.field.name}",
                str(outcome.first_text or "-"),
                str(outcome.told or "-"),
                str(crossed or "-"),
                str(latest or "-"),
                "-" if error is None else f"{error:+d}",
            )
        self._console.print(table)
        if errors:
            mean = sum(errors) / len(errors)
            self._console.print(f"\nMean absolute error {mean:.1f} days over {len(errors)} fields.")
        self._console.print(
            f"{self._texts} texts, {len(mailbox.mails)} emails. Emails: {home / 'mail'}\n"
            f"Database, lab files and rejected rows: {home}"
        )
