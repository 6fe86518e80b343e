"""The ``cutcall`` command. Each command wires the parts up, calls one service and prints."""

from __future__ import annotations

import json
import logging
import shlex
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from alerts.backtest import commands
from alerts.domain.errors import ConfigurationError

if TYPE_CHECKING:
    from rich.table import Table

    from alerts.bootstrap import Parts
    from alerts.services.accept_results import IntakeReport
    from alerts.services.read_outlooks import FieldLine
    from alerts.settings import Settings

app = typer.Typer(
    name="cutcall",
    help="Tells a forage grower by text or email when to start cutting.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

app.command()(commands.backtest)
app.command()(commands.simulate)

AsJson = Annotated[bool, typer.Option("--json", help="print JSON instead of words")]


@contextmanager
def _parts() -> Iterator[Parts]:
    """The service's parts for one command."""
    import asyncio

    from alerts.bootstrap import build_parts
    from alerts.settings import read_settings

    settings = read_settings()
    parts = build_parts(settings)
    try:
        yield parts
    finally:
        asyncio.run(parts.aclose())


def _print_json(value: object) -> None:
    typer.echo(json.dumps(value, indent=2, default=str))


def _make_inbox(settings: Settings) -> None:
    try:
        settings.inbox_dir.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ConfigurationError(
            f"CUTCALL_INBOX_DIR: cannot make the folder {settings.inbox_dir} "
            f"({error.strerror or error}); give one that this user may write to"
        ) from error


def _fail(sentence: str) -> typer.Exit:
    typer.echo(f"cutcall: {sentence}", err=True)
    return typer.Exit(1)


# ------------------------------------------------------------------------- running


@app.command()
def serve() -> None:
    """Run the service: scheduler and web server in one process, settings from .env."""
    import uvicorn

    from alerts.bootstrap import build_parts
    from alerts.scheduler import Ticker, open_port
    from alerts.settings import read_settings
    from alerts.web.app import build_app

    settings = read_settings()
    logging.basicConfig(
        level=settings.log_level, format="%(asctime)s %(levelname)s %(name)s: %(message)s"
    )
    # Whole URLs, which hold account ids, and every tick are more than a log needs.
    for noisy in ("httpx", "apscheduler", "alembic"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
    _make_inbox(settings)
    parts = build_parts(settings)
    # Before the first job runs: a second service beside one that holds the port sends nothing.
    port = open_port(settings.web_host, settings.web_port)
    ticker = Ticker(parts)
    # The web server hands the signal on once it has stopped: then the jobs in flight may end.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    ticker.start()
    try:
        uvicorn.Server(uvicorn.Config(build_app(parts), log_config=None)).run(sockets=[port])
    finally:
        ticker.stop()


@app.command()
def tick() -> None:
    """Do every job once: intake, evaluation, digests, sending, receipts."""
    import asyncio

    from alerts.scheduler import run_round

    with _parts() as parts:
        _make_inbox(parts.settings)
        done = asyncio.run(run_round(parts))
    for taken in done.intake:
        if taken.refusal:
            typer.echo(f"cutcall: {taken.refusal}", err=True)
        else:
            _print_report(taken)
    report = done.sending
    typer.echo(
        f"sent {report.accepted}, to try later {report.later}, refused {report.refused}, "
        f"unclear {report.unknown}, expired {report.expired}"
    )


@app.command()
def demo(
    folder: Annotated[
        Path | None, typer.Option(help="where to keep the demo's files; a new folder otherwise")
    ] = None,
) -> None:
    """Replay an invented spring: lab files in, texts and emails out, over real HTTP and SMTP."""
    from alerts.demo.replay import run_demo

    raise typer.Exit(run_demo(folder))


# -------------------------------------------------------------------------- giving


@app.command()
def enrol(roster: Path, as_json: AsJson = False) -> None:
    """Enrol farms, fields and people from a roster (CSV)."""
    from alerts.intake.roster import read_roster
    from alerts.services.enrol import enrol as enrol_roster

    content = _read_file(roster)
    with _parts() as parts:
        parsed = read_roster(
            content,
            roster.name,
            animal_classes=parts.guidelines.animal_classes(),
            defaults=parts.roster_defaults(),
        )
        report = enrol_roster(parts.sessions, parsed, parts.guidelines, roster.name, parts.clock())
    if as_json:
        _print_json(asdict(report))
        return
    typer.echo(f"{report.farms} farms, {report.fields} fields enrolled")
    if report.matched:
        typer.echo(f"{report.matched} waiting results now have their field")
    for note in report.notes:
        typer.echo(f"{_place(f'row {note.row}', note.column)}: {note.text}")
    for rejection in report.rejected:
        place = _place(f"row {rejection.row} left out", rejection.column)
        typer.echo(f"{place}: {rejection.reason}")


def _place(row: str, column: str) -> str:
    return f"{row}, {column}" if column else row


@app.command()
def intake(
    files: Annotated[list[Path], typer.Argument(help="lab files or stem readings (CSV)")],
    lab: Annotated[str, typer.Option(help="name of the lab's map; found by its header else")] = "",
    as_json: AsJson = False,
) -> None:
    """Take in results from files, and look at the areas they concern."""
    from alerts.intake.base import RawDocument
    from alerts.scheduler import run_evaluation
    from alerts.services.accept_results import IntakeReport, accept
    from alerts.web.app import report_json

    reports = []
    with _parts() as parts:
        for file in files:
            try:
                document = RawDocument(file.name, file.read_bytes(), "command", lab)
            except OSError as error:
                reason = f"cannot read {file}: {error.strerror or error}"
                reports.append(IntakeReport(file.name, refusal=reason))
                continue
            if len(document.content) > parts.settings.intake_max_mib * 1024 * 1024:
                reason = f"{file} is larger than CUTCALL_INTAKE_MAX_MIB allows; split it"
                reports.append(IntakeReport(file.name, refusal=reason))
                continue
            report = accept(parts.sessions, document, parts.intake_rules(), parts.clock())
            reports.append(report)
        run_evaluation(parts)
    for report in reports:
        if report.refusal:
            typer.echo(f"cutcall: {report.refusal}", err=True)
        elif not as_json:
            _print_report(report)
    if as_json:
        shown = [report_json(report) for report in reports if not report.refusal]
        if shown:
            _print_json(shown[0] if len(files) == 1 else shown)
    if any(report.refusal for report in reports):
        raise typer.Exit(1)


def _print_report(report: IntakeReport) -> None:
    typer.echo(
        f"{report.document}: {report.accepted} accepted, {report.repeated} repeated, "
        f"{report.corrected} corrected, {report.unmatched} unmatched, "
        f"{len(report.rejected)} rejected"
    )
    for rejection in report.rejected:
        place = _place(f"  row {rejection.row} rejected", rejection.column)
        typer.echo(f"{place}: {rejection.reason}")
    for note in report.notes:
        typer.echo(f"{_place(f'  row {note.row}', note.column)}: {note.text}")


def _read_file(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise _fail(f"cannot read {path}: {error.strerror or error}") from error


@app.command()
def name(
    label: Annotated[str, typer.Argument(help="the name as the lab wrote it")],
    field: Annotated[str, typer.Option(help="the field it means")],
    farm: Annotated[str, typer.Option(help="the farm of that field")] = "",
    farm_label: Annotated[
        str | None, typer.Option(help="the farm as the lab wrote it, where results of several wait")
    ] = None,
) -> None:
    """Say which field a name means; results that waited for it flow on."""
    from alerts.scheduler import run_evaluation
    from alerts.services.match_results import name_field

    with _parts() as parts:
        matched = name_field(
            parts.sessions,
            label=label,
            farm_label=farm_label,
            farm=farm,
            field=field,
            guidelines=parts.guidelines,
            now=parts.clock(),
        )
        run_evaluation(parts)
    typer.echo(f"'{label}' means {field} from now on; {matched} waiting results flow on")


@app.command()
def cut(
    field: Annotated[str, typer.Argument(help="the field that was cut")],
    farm: Annotated[str, typer.Option(help="its farm")] = "",
    on: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], help="day it was cut")
    ] = None,
    area: Annotated[str, typer.Option(help="its area, where two have the farm")] = "",
    undo: Annotated[bool, typer.Option("--undo", help="take the newest cut back")] = False,
) -> None:
    """Record that a field was cut; its next cutting opens. A wrong one is undone with --undo."""
    from alerts.scheduler import run_evaluation
    from alerts.services.record_cuts import record_cut, undo_cut

    if undo and on:
        raise _fail("give --on or --undo, not both: first undo the wrong cut, then record another")
    with _parts() as parts:
        now = parts.clock()
        if undo:
            number, cut_on = undo_cut(parts.sessions, farm=farm, field=field, now=now, area=area)
            said = f"the cut of {cut_on} is taken back; cutting {number} is open again"
        else:
            cut_on = on.date() if on else parts.today()
            number = record_cut(
                parts.sessions,
                farm=farm,
                field=field,
                cut_on=cut_on,
                now=now,
                area=area,
                season_first_day=parts.season_first_day(),
            )
            said = f"cutting {number} taken on {cut_on}; cutting {number + 1} is open"
        run_evaluation(parts)
    typer.echo(f"{field}: {said}")


@app.command()
def close(
    field: Annotated[str, typer.Argument(help="the field that is given up")],
    farm: Annotated[str, typer.Option(help="its farm")] = "",
    area: Annotated[str, typer.Option(help="its area, where two have the farm")] = "",
) -> None:
    """Leave a field out from now on; enrolling it again opens it."""
    from alerts.scheduler import run_evaluation
    from alerts.services.record_cuts import close_field

    with _parts() as parts:
        today = parts.today()
        close_field(parts.sessions, farm=farm, field=field, on=today, now=parts.clock(), area=area)
        run_evaluation(parts)
    typer.echo(f"{field}: closed on {today}; enrol it again to open it")


@app.command()
def weather(
    table: Annotated[Path, typer.Argument(help="CSV of daily highs and lows")],
    area: Annotated[str, typer.Option(help="the area they are of")],
    as_json: AsJson = False,
) -> None:
    """Take in daily temperatures of an area; its outlook then runs on degree days."""
    from alerts.scheduler import run_evaluation
    from alerts.services.follow_weather import take_in_table

    content = _read_file(table)
    with _parts() as parts:
        report = take_in_table(
            parts.sessions,
            area=area,
            name=table.name,
            content=content,
            today=parts.today(),
            now=parts.clock(),
        )
        run_evaluation(parts)
    if as_json:
        _print_json(asdict(report))
        return
    typer.echo(f"{report.area}: {report.days} days, {report.changed} of them new or changed")
    for rejection in report.rejected:
        typer.echo(f"  row {rejection.row} rejected, {rejection.column}: {rejection.reason}")


# ------------------------------------------------------------------------- looking


@app.command()
def outlook(
    farm: Annotated[str, typer.Option(help="only this farm")] = "", as_json: AsJson = False
) -> None:
    """Every field with its start date and what its farmer was told."""
    from alerts.scheduler import run_evaluation
    from alerts.services.read_outlooks import field_lines

    with _parts() as parts:
        run_evaluation(parts)
        lines = field_lines(parts.sessions)
    if farm:
        lines = _of_farm(lines, farm)
    if as_json:
        _print_json([asdict(line) for line in lines])
        return
    table = _table(
        "Field", "Farm", "Area", "Cut", "Target", "Results", "Start", "80 % range", "Told"
    )
    for line in lines:
        table.add_row(
            line.field,
            line.farm,
            line.area,
            str(line.cutting),
            f"{line.index.upper()} {line.standing_target:g}",
            str(line.results),
            _day(line.start_median),
            f"{line.start_p10} to {line.start_p90}" if line.start_p10 else "-",
            _day(line.told),
        )
    _show(table)


def _of_farm(lines: list[FieldLine], farm: str) -> list[FieldLine]:
    from alerts.domain.names import name_key

    chosen = [line for line in lines if name_key(line.farm) == name_key(farm)]
    if not chosen:
        known = ", ".join(dict.fromkeys(line.farm for line in lines)) or "none"
        raise _fail(f"no farm '{farm}' has open fields; farms that have are: {known}")
    return chosen


@app.command()
def unmatched(as_json: AsJson = False) -> None:
    """Results that wait until somebody says which field they are from."""
    from alerts.store.results import unmatched as waiting_results

    with _parts() as parts, parts.sessions.read() as session:
        groups = waiting_results(session)
    if as_json:
        _print_json(
            [
                {
                    "farm_label": group.farm_label,
                    "field_label": group.field_label,
                    "results": [
                        {"document": document, "row": row.row, "sampled_on": row.sampled_on}
                        for row, document in group.results
                    ],
                }
                for group in groups
            ]
        )
        return
    table = _table("Farm as written", "Field as written", "Results", "From")
    for group in groups:
        files = ", ".join(dict.fromkeys(document for _, document in group.results))
        table.add_row(group.farm_label, group.field_label, str(len(group.results)), files)
    _show(table)
    if groups:
        typer.echo("Say what each name means, with the farm and field it is enrolled under:")
    for group in groups:
        label, written = shlex.quote(group.field_label), shlex.quote(group.farm_label)
        typer.echo(f"  cutcall name {label} --farm-label {written} --farm FARM --field FIELD")


@app.command()
def rejected(
    as_json: AsJson = False,
    settle: Annotated[
        int | None, typer.Option(help="take what waits of the document with this id off the list")
    ] = None,
) -> None:
    """Rows and files that could not be used, with what to do about them."""
    from alerts.services.accept_results import settle as settle_document
    from alerts.store.documents import refused_documents, rejected_rows

    if settle is not None:
        with _parts() as parts:
            settled = settle_document(parts.sessions, settle)
        typer.echo(f"document {settle}: {settled} settled; the document itself is kept")
        return
    with _parts() as parts, parts.sessions.read() as session:
        rows = rejected_rows(session)
        files = refused_documents(session)
    if as_json:
        _print_json(
            {
                "rows": [
                    {
                        "id": d.id,
                        "document": d.name,
                        "received_at": d.received_at,
                        "row": r.row,
                        "column": r.column,
                        "reason": r.reason,
                    }
                    for d, r in rows
                ],
                "documents": [
                    {
                        "id": d.id,
                        "document": d.name,
                        "received_at": d.received_at,
                        "reason": d.refusal,
                    }
                    for d in files
                ],
            }
        )
        return
    table = _table("Id", "Received", "File", "Row", "Column", "What to do")
    for document, row in rows:
        place = (str(document.id), _day(document.received_at.date()), document.name)
        table.add_row(*place, str(row.row), row.column, row.reason)
    for document in files:
        place = (str(document.id), _day(document.received_at.date()), document.name)
        table.add_row(*place, "", "", document.refusal)
    _show(table)
    if rows or files:
        typer.echo("A newer file of the same name settles what it corrects, --settle ID the rest.")


@app.command()
def outbox(
    limit: Annotated[int, typer.Option(help="how many, newest first")] = 50, as_json: AsJson = False
) -> None:
    """Messages with what became of them."""
    from alerts.store.outbox import recent

    with _parts() as parts, parts.sessions.read() as session:
        messages = recent(session, limit)
    if as_json:
        _print_json(
            [
                message.model_dump(exclude={"html", "attachments", "lease_owner", "lease_until"})
                for message in messages
            ]
        )
        return
    table = _table("Told on", "Kind", "To", "Status", "Parts", "Text or subject")
    for message in messages:
        table.add_row(
            str(message.told_on),
            message.kind,
            message.to_address,
            message.status,
            str(message.parts or ""),
            message.subject or message.text,
        )
    _show(table)


@app.command()
def check() -> None:
    """Read settings and config files back, and say what is wrong with them."""
    with _parts() as parts:
        judged = sum(1 for entry in parts.guidelines if entry.is_judgement)
        total = sum(1 for _ in parts.guidelines)
        messages = parts.templates.check()
    typer.echo(
        f"settings, database and config files are in order; {len(parts.lab_maps)} lab maps, "
        f"{messages} message files"
    )
    typer.echo(f"{total} guideline entries, {judged} of them our judgement")


def _table(*columns: str) -> Table:
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    for column in columns:
        table.add_column(column, overflow="fold")
    return table


def _show(table: Table) -> None:
    from rich.console import Console

    # A pipe has no width of its own; rows must not be folded in it.
    console = Console(width=None if sys.stdout.isatty() else 200, highlight=False, markup=False)
    console.print(table)


def _day(day: object) -> str:
    return str(day) if day is not None else "-"
