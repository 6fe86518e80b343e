"""Commands that run the service: serve, tick, demo, check."""

from __future__ import annotations

import logging
import signal
import sys
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from socket import socket
from typing import TYPE_CHECKING, Annotated

import typer

from alerts.cli.printing import failure, print_report
from alerts.cli.wiring import make_inbox, open_parts

if TYPE_CHECKING:
    from alerts.bootstrap import Parts


def serve() -> None:
    """Run the service: scheduler and web server in one process, settings from .env."""
    from alerts.bootstrap import build_parts
    from alerts.scheduler import open_port
    from alerts.settings import read_settings

    settings = read_settings()
    logging.basicConfig(
        level=settings.log_level, format="%(asctime)s %(levelname)s %(name)s: %(message)s"
    )
    # Whole URLs, which hold account ids, and every tick are more than a log needs.
    for noisy in ("httpx", "apscheduler", "alembic"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
    make_inbox(settings)
    parts = build_parts(settings)
    # Before the first job runs: a second service beside one that holds the port sends nothing.
    _run(parts, open_port(settings.web_host, settings.web_port))


def _run(parts: Parts, port: socket) -> None:
    """Ticker and web server, until a signal ends them."""
    import uvicorn

    from alerts.scheduler import Ticker
    from alerts.web.app import build_app

    app, ticker = build_app(parts), Ticker(parts)
    # The web server hands the signal on once it has stopped: then the jobs in flight may end.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    ticker.start()
    try:
        # No access log: addresses of private pages are keys, and belong into no log.
        config = uvicorn.Config(app, log_config=None, access_log=False)
        uvicorn.Server(config).run(sockets=[port])
    finally:
        ticker.stop()


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
        _run(spring.parts, listening)


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
