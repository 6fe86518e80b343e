"""Commands that run the service: serve, tick, demo, check."""

from __future__ import annotations

import signal
import sys
from contextlib import suppress
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from socket import socket
from threading import Event
from typing import TYPE_CHECKING, Annotated

import typer

from alerts.cli.printing import failure, print_report
from alerts.cli.wiring import make_inbox, open_parts

if TYPE_CHECKING:
    from alerts.bootstrap import Parts


class Role(StrEnum):
    """`alerts.scheduler.Role`, which takes long to import."""

    WEB = "web"
    TICKER = "ticker"
    EVALUATOR = "evaluator"
    SENDER = "sender"


def serve(
    only: Annotated[
        list[Role] | None, typer.Option(help="do only this part of the work; may be repeated")
    ] = None,
) -> None:
    """Run the service, settings from .env: all of it, or a part beside other processes."""
    from alerts import logs
    from alerts.bootstrap import build_parts, process_name
    from alerts.scheduler import open_port
    from alerts.settings import read_settings

    settings = read_settings()
    logs.set_up(logs.LogForm(settings.log_form), settings.log_level, process_name())
    roles = frozenset(only or Role)
    if Role.TICKER in roles:
        make_inbox(settings)
    parts = build_parts(settings)
    # Before the first job runs: a second service beside one that holds the port sends nothing.
    port = open_port(settings.web_host, settings.web_port) if Role.WEB in roles else None
    _run(parts, roles, port)


def _run(parts: Parts, roles: frozenset[Role], port: socket | None) -> None:
    """Ticker and web server, as far as they belong to the roles, until a signal ends them."""
    from alerts import scheduler

    ticker = scheduler.Ticker(parts, [scheduler.Role(role) for role in roles])
    ticker.start()
    try:
        if port is not None:
            ticker.wait_for_first_tick()
            _serve_pages(parts, port)
        else:
            _wait_for_the_end()
    finally:
        ticker.stop()


def _serve_pages(parts: Parts, port: socket) -> None:
    from alerts.scheduler import loading

    with loading:
        from alerts.cli.serving import serve_app
        from alerts.web.app import build_app

    # The web server hands the signal on once it has stopped: then the jobs in flight may end.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    serve_app(build_app(parts), port)


def _wait_for_the_end() -> None:
    ended = Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: ended.set())
    ended.wait()


def tick() -> None:
    """Do every job once: intake, evaluation, digests, sending, receipts."""
    import asyncio

    from alerts.scheduler import run_round

    with open_parts() as parts:
        make_inbox(parts.settings)
        done = asyncio.run(run_round(parts))
    for taken in done.intake:
        if taken.refusal:
            typer.echo(f"cutcall: {taken.refusal}", err=True)
        else:
            print_report(taken)
    report = done.sending
    typer.echo(
        f"sent {report.accepted}, to try later {report.later}, refused {report.refused}, "
        f"unclear {report.unknown}, expired {report.expired}"
    )


def demo(
    folder: Annotated[
        Path | None, typer.Option(help="where to keep the demo's files; a new folder otherwise")
    ] = None,
    serve: Annotated[
        bool, typer.Option("--serve", help="play up to a day, then serve the web pages from there")
    ] = False,
    day: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], help="that day, with --serve; May 14, 2027 otherwise"),
    ] = None,
    port: Annotated[int, typer.Option(help="port of the web pages, with --serve")] = 8090,
) -> None:
    """Replay an invented spring: lab files in, texts and emails out, over real HTTP and SMTP."""
    if serve:
        _serve_demo(folder, day, port)
        return
    from alerts.demo.replay import run_demo

    raise typer.Exit(run_demo(folder))


def _serve_demo(folder: Path | None, day: datetime | None, port: int) -> None:
    from alerts.demo.live import USUAL_DAY, live_spring
    from alerts.demo.stage import empty_home
    from alerts.scheduler import open_port

    listening = open_port("127.0.0.1", port)
    home = empty_home(folder)
    if home is None:
        raise failure(f"{folder} is not empty; give the demo an empty or a new folder")
    last = day.date() if day else USUAL_DAY
    typer.echo(f"Playing the invented spring up to noon of {last}, which takes some seconds.")
    url = f"http://127.0.0.1:{listening.getsockname()[1]}"
    with live_spring(home, last, url) as spring, suppress(KeyboardInterrupt):
        for name, address in spring.addresses():
            typer.echo(f"{name:13} {address}")
        typer.echo(f"Everything is kept in {home}. Ctrl-C ends it.")
        _run(spring.parts, frozenset(Role), listening)


def check() -> None:
    """Read settings and config files back, and say what is wrong with them."""
    with open_parts() as parts:
        judged = sum(1 for entry in parts.guidelines if entry.is_judgement)
        total = sum(1 for _ in parts.guidelines)
        messages = parts.templates.check()
    typer.echo(
        f"settings, database and config files are in order; {len(parts.lab_maps)} lab maps, "
        f"{messages} message files"
    )
    typer.echo(f"{total} guideline entries, {judged} of them our judgement")
